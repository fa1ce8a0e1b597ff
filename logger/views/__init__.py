"""Everything a person sees. Views only show; they never compute metallurgy."""

"""Speed as ratios and coverage of bands, with the last results kept in ``results``."""

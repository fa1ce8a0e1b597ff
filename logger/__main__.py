"""``python -m logger`` is the same as the ``soaktally`` command."""

from logger.command import main

if __name__ == "__main__":
    main()

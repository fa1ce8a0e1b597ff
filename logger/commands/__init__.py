"""The ``soaktally`` commands, one module each, plus what they share."""

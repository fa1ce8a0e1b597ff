"""Published tables as rows, for parametrised cases."""

import csv
from pathlib import Path

PUBLISHED = Path(__file__).parents[1] / "published"


def rows(name: str) -> list[dict[str, str]]:
    """The rows of a published table; lines that begin with # are its source and tolerance."""
    with (PUBLISHED / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))

"""What the page is made of besides data: our own scripts and styles, the chart script of an installed package.

Everything is read once, compressed once, and served under an address that changes with its content, so that a browser
keeps it for good. The chart script is taken only if it is, to the bit, the one that was tested with this page.
"""

import gzip
import hashlib
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Final

HERE: Final = Path(__file__).parent
STATIC: Final = HERE / "static"

KINDS: Final = {
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".svg": "image/svg+xml",
}

CHART_PACKAGE: Final = "youplot"
CHART_FILES: Final = {
    "uplot.js": (
        "vendor/uplot.iife.min.js",
        "2d27e8ad3d228164525ce213f9dc716f39b4e3aee0cc773fb3491c96cf4921a2",
    ),
    "uplot.css": (
        "vendor/uplot.min.css",
        "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04",
    ),
}
"""Name on the page, file in the package, SHA-256 of the file (version 1.6.31 of the chart script)."""


@dataclass(frozen=True, slots=True)
class Asset:
    """One file as it is served."""

    kind: str
    plain: bytes
    compressed: bytes


@dataclass(frozen=True, slots=True)
class Assets:
    """Every file of the page by name. ``version`` is in their addresses; ``has_charts``: the chart script is sound."""

    files: dict[str, Asset]
    version: str
    has_charts: bool


def load_assets(chart_folder: Path | None = None) -> Assets:
    """Read everything the page is made of.

    Parameters
    ----------
    chart_folder : where the chart package lies; by default where it is installed
    """
    files = {path.name: path.read_bytes() for path in sorted(STATIC.iterdir()) if path.suffix in KINDS}
    charts = chart_files(installed_chart_folder() if chart_folder is None else chart_folder)
    files.update(charts)
    whole = hashlib.sha256()
    for name, content in sorted(files.items()):
        whole.update(name.encode() + b"\0" + content + b"\0")
    return Assets(
        {
            name: Asset(KINDS[Path(name).suffix], content, gzip.compress(content, 9, mtime=0))
            for name, content in files.items()
        },
        whole.hexdigest()[:16],
        bool(charts),
    )


def installed_chart_folder() -> Path | None:
    """Where the chart package is installed, found without importing it; None where it is not."""
    found = find_spec(CHART_PACKAGE)
    return None if found is None or found.origin is None else Path(found.origin).parent


def chart_files(folder: Path | None) -> dict[str, bytes]:
    """The chart script and its style, if every file is there and is the tested one; else nothing."""
    if folder is None:
        return {}
    found = {}
    for name, (inside, sha256) in CHART_FILES.items():
        try:
            content = (folder / inside).read_bytes()
        except OSError:
            return {}
        if hashlib.sha256(content).hexdigest() != sha256:
            return {}
        found[name] = content
    return found

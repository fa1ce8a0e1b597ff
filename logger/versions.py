"""Which software and which data a number comes from, so that it can be had again in years."""

import hashlib
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

LIBRARIES = ("numpy", "scipy")
"""The libraries whose arithmetic the numbers rest on."""

BESIDE = (
    "errors",
    "history",
    "remark",
    "sheet",
    "sheet_limits",
    "sheet_parts",
    "thermocouple",
    "units",
    "wishes",
)
"""The modules that formulas and solvers make use of (a test asks for every one)."""

OF_PIECES = ("piece", "piece_steps")
"""The modules that make of a piece what its steps say, besides."""


@cache
def versions() -> dict[str, str]:
    """By name: soaktally itself, the libraries it computes with, and a digest of formulas and solvers.

    The digest changes whenever a coefficient, a formula or a solver does: two reviews with the same one and the same
    history give the same numbers.
    """
    return {
        "soaktally": installed_version("soaktally"),
        **{name: installed_version(name) for name in LIBRARIES},
        "data": _digest(),
    }


def installed_version(name: str) -> str:
    """The version of an installed distribution; "from source" where it runs from a clone that was never installed."""
    try:
        return version(name)
    except PackageNotFoundError:
        return "from source"


@cache
def digest_with_pieces() -> str:
    """As the digest of `versions`, over the modules that take a piece through its steps too."""
    return _digest(OF_PIECES)


def _digest(more: tuple[str, ...] = ()) -> str:
    """First letters of a SHA-256 over the modules that hold formulas, coefficients and solvers, and what they use."""
    here = Path(__file__).parent
    rooms = [*(here / "steel").glob("*.py"), *(here / "estimate").glob("*.py")]
    files = sorted([*rooms, *(here / f"{name}.py" for name in (*BESIDE, *more))])
    total = hashlib.sha256()
    for file in files:
        total.update(file.name.encode() + b"\0" + file.read_bytes().replace(b"\r\n", b"\n") + b"\0")
    return total.hexdigest()[:12]

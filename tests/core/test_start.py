"""Commands start quickly: what is heavy is loaded only where it is used."""

import subprocess
import sys

import pytest

HEAVY = (
    "numpy",
    "scipy",
    "matplotlib",
    "pydantic",
    "rich",
    "pymodbus",
    "serial",
    "sqlite_utils",
    "starlette",
    "jinja2",
)


@pytest.mark.parametrize("words", ["--help", "watch --help", "review --help"])
def test_help_loads_nothing_heavy(words: str) -> None:
    code = (
        "import sys\n"
        "from logger.command import main\n"
        "try:\n"
        f"    main({words.split()!r})\n"
        "finally:\n"
        f"    print(*(name for name in {HEAVY!r} if name in sys.modules), file=sys.stderr)\n"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stderr.split() == []

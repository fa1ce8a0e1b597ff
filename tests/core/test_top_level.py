"""The repository's top level is what the README and DEVELOPERS.md say it is: nothing strays into it."""

import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FOLDERS = {"logger", "sim", "tests", "configs", "dashboards_demo"}
FILES = {"README.md", "DEVELOPERS.md", "pyproject.toml", "Makefile", "LICENSE", "CHANGELOG.md"}


@pytest.mark.skipif(not shutil.which("git") or not (ROOT / ".git").exists(), reason="not a clone")
def test_nothing_else_is_kept_at_the_top() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    top = {line.split("/")[0] for line in listed.splitlines()}
    assert {name for name in top if not name.startswith(".")} - FOLDERS - FILES == set()

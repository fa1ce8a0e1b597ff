"""Every check in one command: ``python -m tests``. Stops at the first that fails; extra words go to pytest."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent

CHECKS = {
    "formatting": ("-m", "ruff", "format", "--check", "."),
    "lint": ("-m", "ruff", "check", "."),
    "types": ("-m", "mypy"),
    "import contracts": ("-c", "from importlinter.cli import lint_imports_command as check; check()"),
    "tests": ("-m", "pytest", "-n", "3", "--dist", "worksteal", *sys.argv[1:]),
}


def main() -> int:
    """Run each check in order and return the first exit code that is not zero."""
    for name, words in CHECKS.items():
        sys.stdout.write(f"== {name}\n")
        sys.stdout.flush()
        code = subprocess.run([sys.executable, *words], cwd=ROOT, check=False).returncode
        if code:
            sys.stdout.write(f"== {name}: failed\n")
            return code
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""The digest that stands for formulas and solvers covers every module they make use of."""

import subprocess
import sys

from logger.versions import BESIDE, OF_PIECES

LOADED = """
import sys
import {module}
print(*(name for name in sys.modules if name.startswith("logger.")))
"""


def rooms_of(module: str) -> set[str]:
    """The modules and packages of our own that come with a module."""
    words = [sys.executable, "-c", LOADED.format(module=module)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    return {name.split(".")[1] for name in done.stdout.split()}


def test_every_module_an_estimate_makes_use_of_is_in_the_digest() -> None:
    assert rooms_of("logger.estimate.estimate") == {"estimate", "steel", *BESIDE}


def test_every_module_a_piece_makes_use_of_is_in_its_digest() -> None:
    assert rooms_of("logger.piece") <= {"estimate", "steel", *BESIDE, *OF_PIECES}

"""The digest that stands for formulas and solvers covers every module they make use of."""

import subprocess
import sys

from logger.versions import BESIDE

LOADED = """
import sys
import logger.estimate.estimate
print(*(name for name in sys.modules if name.startswith("logger.")))
"""


def test_every_module_an_estimate_makes_use_of_is_in_the_digest() -> None:
    done = subprocess.run([sys.executable, "-c", LOADED], capture_output=True, text=True, check=True)
    rooms = {name.split(".")[1] for name in done.stdout.split()}
    assert rooms == {"estimate", "steel", *BESIDE}

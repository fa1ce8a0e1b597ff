"""LAPACK's solvers of tridiagonal systems as scipy brings them, without the rest of its linear algebra.

``scipy.linalg`` loads three hundred modules, numpy's test framework and its Fortran tools among them: 16 MB, of the 90
a daemon may take, and a tenth of a second at every start, for a handful of compiled functions. So only the compiled
module that holds them is loaded. Where scipy does not keep it there, ``scipy.linalg.lapack`` is asked as usual.

Functions, arguments and results are those of ``scipy.linalg.lapack``.
"""

from importlib import import_module
from importlib.machinery import PathFinder
from importlib.util import module_from_spec
from types import ModuleType
from typing import Any, Final

import scipy

COMPILED: Final = "scipy.linalg._flapack"


def _loaded(name: str = COMPILED) -> ModuleType:
    """The module that has the solvers, compiled code alone if it can be had."""
    spec = PathFinder.find_spec(name, [f"{folder}/linalg" for folder in scipy.__path__])
    if spec is None or spec.loader is None:
        return import_module("scipy.linalg.lapack")
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


_lapack: Final[Any] = _loaded()

dgtsv = _lapack.dgtsv
dgttrf = _lapack.dgttrf
dgttrs = _lapack.dgttrs
dptsv = _lapack.dptsv

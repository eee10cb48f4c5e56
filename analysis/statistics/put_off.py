"""Parts of numpy that are loaded when somebody asks for them, which nobody here does."""

from __future__ import annotations

import sys
from importlib import util

import numpy as np

#: numpy loads them on demand itself. But scipy asks for every name of numpy when it is loaded, and
#: so for numpy's test tools and its compiler of Fortran: a third of the time that scipy takes.
_UNUSED = ("f2py", "testing")


def put_off_unused() -> None:
    """Let scipy be loaded without what it does not use; call it before scipy is loaded.

    Each part stands there as a module that loads itself at the first use of one of its names, as
    the documentation of ``importlib.util.LazyLoader`` shows.
    """
    for part in _UNUSED:
        name = f"numpy.{part}"
        spec = None if name in sys.modules else util.find_spec(name)
        if spec is None or spec.loader is None:
            continue
        spec.loader = util.LazyLoader(spec.loader)
        module = util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
        setattr(np, part, module)

"""Builds the command of a child process that runs a module of this program.

``python -m logger.store.schema`` would look for ``logger`` in the current folder first and run what
it finds, for instance a ``logger.py`` on somebody else's USB stick. The child therefore starts in
Python's safe-path mode (``-P``) and searches the folders of its parent in the same order.
"""

from __future__ import annotations

import sys
from pathlib import Path

#: The folder that contains this package; a parent may have found it in the current folder.
_HOME = Path(__file__).resolve().parents[2]


def child_command(module: str, *arguments: str) -> list[str]:
    """Return the command that runs a module like ``python -m``, whatever the current folder holds.

    Works for an installed package, an editable one and a source tree on ``PYTHONPATH`` alike.
    """
    # An empty or relative entry stands for the current folder.
    folders = [entry for entry in sys.path if Path(entry).is_absolute()]
    if str(_HOME) not in folders:
        folders.append(str(_HOME))
    start = (
        f"import sys; sys.path[:] = {folders!r}; "
        f"import runpy; runpy.run_module({module!r}, run_name='__main__', alter_sys=True)"
    )
    return [sys.executable, "-P", "-c", start, *arguments]

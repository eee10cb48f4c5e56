"""``python -m analysis`` and the script ``ebbwatt`` are the same command.

``python -m`` looks for modules in the current folder before all others. A ``logger.py`` or
``numpy.py`` there is not ours, so this file removes that folder from the search path first. Python
finds an ``analysis.py`` in the current folder before this file; run ``ebbwatt`` or
``python -P -m analysis`` there.
"""

import os
import site
import sys


def _without_current_folder() -> list[str]:
    """Return Python's search path without the current folder, unless the program is in it."""
    try:
        here = os.path.realpath(os.curdir)
    except FileNotFoundError:  # the folder was deleted meanwhile: it holds nothing
        return sys.path
    # Python has loaded os and site already, so they are its own. It has not loaded pathlib.
    own = (os.path.dirname(os.path.dirname(__file__)), os.path.dirname(os.__file__))  # noqa: PTH120
    if here in map(os.path.realpath, (*own, *site.getsitepackages())):
        return sys.path
    return [folder for folder in sys.path if os.path.realpath(folder) != here]


sys.path[:] = _without_current_folder()

import signal  # noqa: E402 - not from the current folder

# Let Ctrl-C end the process while modules load: an interrupt inside an import can be lost (see
# analysis/interrupts.py, which cannot be imported before this). Each command changes it when ready.
if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
    signal.signal(signal.SIGINT, signal.SIG_DFL)

from analysis.cli import main  # noqa: E402

if __name__ == "__main__":
    sys.exit(main())

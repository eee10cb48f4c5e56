"""``python -m analysis`` is the command ``ebbwatt``, and so is its script.

``python -m`` looks for modules in the current folder before all others. Whatever is called
``logger.py`` or ``numpy.py`` there is not ours, so that folder is taken off the path first. An
``analysis.py`` in the current folder is found before this file: there only ``ebbwatt`` or
``python -P -m analysis`` helps.
"""

import os
import site
import sys


def _without_current_folder() -> list[str]:
    """Return Python's search path without the current folder, unless the program stands there."""
    try:
        here = os.path.realpath(os.curdir)
    except FileNotFoundError:  # the folder was deleted meanwhile: it holds nothing
        return sys.path
    # Already loaded by Python itself: os and site, but not pathlib.
    own = (os.path.dirname(os.path.dirname(__file__)), os.path.dirname(os.__file__))  # noqa: PTH120
    if here in map(os.path.realpath, (*own, *site.getsitepackages())):
        return sys.path
    return [folder for folder in sys.path if os.path.realpath(folder) != here]


sys.path[:] = _without_current_folder()

import signal  # noqa: E402 - not from the current folder

# Before anything else loads: an interrupt inside an import can be lost (analysis/interrupts.py,
# which itself would have to be imported). The command decides when it is ready for more.
if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
    signal.signal(signal.SIGINT, signal.SIG_DFL)

from analysis.cli import main  # noqa: E402

if __name__ == "__main__":
    sys.exit(main())

"""``python -m analysis`` is the command ``ebbwatt``."""

import sys

from analysis.cli import main

sys.exit(main())

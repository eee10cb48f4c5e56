"""``python -m analysis`` is the command ``ebbwatt``, and so is its script."""

import sys

try:
    from analysis.cli import main
except KeyboardInterrupt:  # in the first moments, without a page about half-loaded modules
    sys.exit(130)

if __name__ == "__main__":
    sys.exit(main())

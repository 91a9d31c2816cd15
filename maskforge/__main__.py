"""`python -m maskforge`."""

import sys

from maskforge.cli import main

if __name__ == "__main__":
    sys.exit(main())

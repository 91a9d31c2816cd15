"""`python -m maskforge`."""

import sys

from maskforge.cli.main import main

if __name__ == "__main__":
    sys.exit(main())

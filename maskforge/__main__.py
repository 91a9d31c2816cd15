"""`python -m maskforge`."""

import sys

if __name__ == "__main__":
    # a process that works for this one imports this module too
    from maskforge.cli.main import main

    sys.exit(main())

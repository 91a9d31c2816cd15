"""The command as it is started: what later processes need begins to load before all else.

A process that works for this one imports this module too, and nothing else of the command line.
"""

import sys

from maskforge.base.garbage import look_no_more, look_seldom


def main() -> int:
    """Runs the command line of this process; the exit code, as of `cli.main.main`."""
    look_seldom()
    try:
        from maskforge.cli.ahead import load_for

        load_for(sys.argv[1:])
        from maskforge.cli.exits import interrupted_at_once

        with interrupted_at_once():
            from maskforge.cli.main import main as run
    except (KeyboardInterrupt, RuntimeError) as error:
        from maskforge.cli.exits import INTERRUPTED, failed, is_interrupt

        if not is_interrupt(error):
            raise
        return failed("interrupted", INTERRUPTED)
    code = run()
    look_no_more()
    ending = sys.modules.get("maskforge.base.ending")
    return code if ending is None else int(ending.end(code))


if __name__ == "__main__":
    sys.exit(main())

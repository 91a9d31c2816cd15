"""A design's bench made ready in the process that those which design are copies of.

Loaded there alone, beside the command, which tells what it was given in the environment; what is
wrong with that is told by the command.
"""

import os
from contextlib import suppress

BENCH, METHOD, DEVICE = "MASKFORGE_BENCH", "MASKFORGE_METHOD", "MASKFORGE_DEVICE"
"""Names in the environment."""


def made_ready() -> None:
    """The told bench made ready, as far as can be."""
    bench, method, device = (os.environ.pop(name, "") for name in (BENCH, METHOD, DEVICE))
    if not bench:
        return
    from maskforge import bench as benches
    from maskforge.bench.ready import prepare_ahead

    # whatever goes wrong here goes wrong there
    with suppress(Exception):
        prepare_ahead(benches.load(bench, method=method or None), device or "auto")


made_ready()

"""The tests run on several processes: each takes one thread, or they only wait for each other."""

import os
import sys

# before anything loads the libraries that read it
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# what is compiled is kept whatever the environment says: every process here would compile it again
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

from hypothesis import settings  # noqa: E402

# a busy machine is no failure
settings.register_profile("whenever", deadline=None)
settings.load_profile("whenever")

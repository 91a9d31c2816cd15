"""The tests run on several processes: each takes one thread, or they only wait for each other."""

import os

# before anything loads the libraries that read it
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

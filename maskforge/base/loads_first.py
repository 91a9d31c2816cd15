"""Imported before all else by a process that others are copies of.

Products then start no threads, which a copied process would lack.
"""

import os

from maskforge.base.garbage import look_seldom

os.environ["OPENBLAS_NUM_THREADS"] = "1"
look_seldom()

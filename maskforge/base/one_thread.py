"""Imported before NumPy: products then start no threads, which a copied process would lack."""

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"

"""What all tests share: a backend without a window, and hypothesis without a stopwatch.

Two processes share the files of tests (``-n 0`` runs them in one): each keeps to one thread of
linear algebra, since more would wait for each other.
"""

import os

if "PYTEST_XDIST_WORKER" in os.environ:
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before anything loads numpy
    os.environ["COLUMNS"] = "100"  # as without a terminal; a worker is told 80
os.environ["MPLBACKEND"] = "Agg"  # before anything loads matplotlib

from hypothesis import settings

# The first call of a kernel compiles it, so the time of one example means nothing.
settings.register_profile("ridgepole", deadline=None, print_blob=True)
settings.load_profile("ridgepole")

"""What all tests share: a backend without a window, and hypothesis without a stopwatch."""

import os

from hypothesis import settings

os.environ["MPLBACKEND"] = "Agg"  # before anything loads matplotlib

# The first call of a kernel compiles it, so the time of one example means nothing.
settings.register_profile("ridgepole", deadline=None, print_blob=True)
settings.load_profile("ridgepole")

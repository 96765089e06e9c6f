"""No test depends on how fast a machine is: a busy one takes its time."""

import os

from hypothesis import settings

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does, and before numpy is there

settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")

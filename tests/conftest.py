"""No test depends on how fast a machine is: a busy one takes its time."""

from hypothesis import settings

settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")

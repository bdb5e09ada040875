"""What holds for all tests: generated cases are the same on every run, and none fails for being slow."""

from hypothesis import settings

settings.register_profile("same-everywhere", derandomize=True, deadline=None)
settings.load_profile("same-everywhere")

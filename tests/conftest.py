"""What holds for all tests: generated cases are the same on every run, and none fails for being slow."""

import os
import tempfile
from pathlib import Path

from hypothesis import settings

# Processes that compile the same functions at once must not share the place where these are kept.
_worker = os.environ.get("PYTEST_XDIST_WORKER")
if _worker:
    os.environ.setdefault("NUMBA_CACHE_DIR", str(Path(tempfile.gettempdir(), f"mixrender-{_worker}")))

settings.register_profile("same-everywhere", derandomize=True, deadline=None)
settings.load_profile("same-everywhere")

"""Keeps off the terminal what C libraries print of their own accord while they read damaged files."""

from __future__ import annotations

import ctypes
import sys


def hush_libraries() -> None:
    """What C code in this process prints on `stderr` goes nowhere from here on; Python's own output stays.

    libsndfile's MP3 decoder prints notes and cannot be told not to. Descriptor 2 is left as it is, so that
    this holds for all threads and for no other program. Only glibc documents that `stderr` may be set ("The
    GNU C Library", Standard Streams): with any other library nothing is changed.
    """
    if sys.platform != "linux":
        return
    libc = ctypes.CDLL(None)
    if not hasattr(libc, "gnu_get_libc_version"):
        return
    libc.fopen.restype = ctypes.c_void_p
    nowhere = libc.fopen(b"/dev/null", b"w")
    if nowhere:
        ctypes.c_void_p.in_dll(libc, "stderr").value = nowhere

"""What libraries print on their own account does not reach the terminal; what Python prints does."""

from __future__ import annotations

import ctypes
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

HAS_GLIBC = sys.platform == "linux" and hasattr(ctypes.CDLL(None), "gnu_get_libc_version")

READ = """
import sys
import threading
from pathlib import Path
from mixrender.audio.quiet_libraries import hush_libraries
from mixrender.audio.read import channel_blocks, probe
if sys.argv[2] == "hushed":
    hush_libraries()
def read():
    print(sum(len(block) for block in channel_blocks(probe(Path(sys.argv[1])))))
thread = threading.Thread(target=read)
thread.start()
thread.join()
print("a word of ours", file=sys.stderr)
"""


@pytest.fixture
def chatty(tmp_path: Path) -> Path:
    """An MP3 with something after its last frame, of which its decoder tells whoever reads it."""
    file = tmp_path / "tail.mp3"
    noise = np.random.default_rng(1).uniform(-0.1, 0.1, (44_100, 2))
    soundfile.write(file, noise, 44_100)
    file.write_bytes(file.read_bytes() + b"APETAGEX" + bytes(range(256)))
    return file


def read(file: Path, how: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", READ, str(file), how], capture_output=True, text=True, timeout=60, check=True
    )


@pytest.mark.skipif(not HAS_GLIBC, reason="only glibc lets a program set stderr")
def test_notes_of_a_decoder_do_not_reach_the_terminal_and_the_sound_is_the_same(chatty: Path) -> None:
    told, hushed = read(chatty, "told"), read(chatty, "hushed")

    assert told.stderr != hushed.stderr and told.stderr.endswith(hushed.stderr)
    assert hushed.stderr == "a word of ours\n"
    assert hushed.stdout == told.stdout != ""


@pytest.mark.skipif(not HAS_GLIBC, reason="only glibc lets a program set stderr")
def test_the_command_line_says_nothing_that_a_decoder_said(chatty: Path) -> None:
    command = [sys.executable, "-m", "mixrender", "loudness", "--json", str(chatty)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)

    assert (done.returncode, done.stderr) == (0, "")

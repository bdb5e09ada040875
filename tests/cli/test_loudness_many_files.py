"""`mixrender loudness` on folders as they are: odd names, broken files, links, progress, interruptions."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner

from mixrender.cli import app

RATE_HZ = 48_000
COMMAND = [sys.executable, "-m", "mixrender", "loudness"]
ON_POSIX = pytest.mark.skipif(sys.platform == "win32", reason="signals, terminals and links of POSIX")


def noise(seconds: float, channels: int = 2, *, rate_hz: int = RATE_HZ) -> np.ndarray:
    return np.random.default_rng(1).uniform(-0.1, 0.1, (round(seconds * rate_hz), channels))


def run(folder: Path, *args: object) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"MIXRENDER_CACHE": str(folder / "cache"), "PYTHONUTF8": "1"}
    return subprocess.run(
        [*COMMAND, *map(str, args)],
        env=environment, capture_output=True, text=True, cwd=folder, timeout=60, check=False,
    )  # fmt: skip


@pytest.fixture
def odd(tmp_path: Path) -> Path:
    """A folder with three files that can be measured, two that cannot be said to be loud, and six faults."""
    folder = tmp_path / "odd"
    folder.mkdir()
    soundfile.write(folder / "mono-8k.wav", noise(2, 1, rate_hz=8_000), 8_000)
    soundfile.write(folder / "over.wav", noise(2) * 30.0, RATE_HZ, subtype="FLOAT")
    soundfile.write(folder / "surround.wav", noise(1, 6, rate_hz=96_000), 96_000)
    soundfile.write(folder / "short.wav", noise(0.1), RATE_HZ)
    soundfile.write(folder / "faint.wav", noise(2) * 1e-3, RATE_HZ, subtype="FLOAT")
    (folder / "empty.wav").touch()
    (folder / "text.wav").write_text("words, not sound\n" * 100)
    sound = noise(1).astype(np.float32)
    sound[20_000, 1] = np.nan
    soundfile.write(folder / "nan.wav", sound, RATE_HZ, subtype="FLOAT")
    soundfile.write(folder / "wide.wav", noise(1, 8), RATE_HZ)
    for name in ("cut.flac", "cut.mp3"):
        soundfile.write(folder / name, noise(5), RATE_HZ)
        whole = (folder / name).read_bytes()
        (folder / name).write_bytes(whole[: len(whole) // 2])
    return folder


def test_each_file_that_cannot_be_used_is_told_in_one_line_and_the_others_are_measured(odd):
    done = run(odd.parent, "odd", "--json")
    document = json.loads(done.stdout)

    assert done.returncode == 2
    expected = {
        "cut.flac": "damaged or cut off",
        "cut.mp3": "damaged or cut off",
        "empty.wav": "is empty",
        "nan.wav": "not numbers",
        "text.wav": "not an audio file",
        "wide.wav": "8 channels",
    }
    lines = done.stderr.splitlines()
    assert [line.partition(":")[0] for line in lines] == [f"odd/{name}" for name in expected]
    assert all(words in line for words, line in zip(expected.values(), lines, strict=True))
    loudness = {one["file"]: one["integrated_lufs"] for one in document["files"]}
    assert {name for name, lufs in loudness.items() if lufs is None} == {"odd/faint.wav", "odd/short.wav"}
    assert {name for name, lufs in loudness.items() if lufs is not None} == {
        "odd/mono-8k.wav", "odd/over.wav", "odd/surround.wav",
    }  # fmt: skip


@pytest.mark.parametrize(("names", "status"), [(["over.wav"], 1), (["over.wav", "empty.wav"], 2)])
def test_a_file_that_cannot_be_measured_weighs_more_than_one_that_misses(odd, names, status):
    done = run(odd, *names, "--target", "-14 LUFS", "--csv")

    assert done.returncode == status
    (row,) = csv.DictReader(io.StringIO(done.stdout, newline=""))
    assert (row["file"], row["verdict"]) == ("over.wav", "fail")


@ON_POSIX
def test_names_that_would_break_a_line_or_steer_the_terminal_are_written_out(tmp_path):
    names = [
        "new\nline.wav",
        "esc\x1b[31m.wav",
        "[bold] 'quo\"te'.wav",
        "ünï 日本.wav",
        os.fsdecode(b"s\xff.wav"),
    ]
    soundfile.write(tmp_path / "plain.wav", noise(0.5), RATE_HZ)
    for name in names:
        (tmp_path / name).write_bytes((tmp_path / "plain.wav").read_bytes())
    (tmp_path / "a\nfault.wav").touch()

    done = run(tmp_path, ".", "--target", "-14 LUFS")

    assert done.returncode == 2
    assert done.stderr == "a\\nfault.wav: the file is empty (0 bytes).\n"
    assert "\x1b" not in done.stdout
    shown = ["new\\nline.wav", "esc\\x1b[31m.wav", "[bold] 'quo\"te'.wav", "ünï 日本.wav", "s\\udcff.wav"]
    for name in shown:  # two tables of figures, one of verdicts, one line of advice
        assert sum(name in line for line in done.stdout.splitlines()) == 4
    rows = csv.DictReader(io.StringIO(run(tmp_path, ".", "--csv").stdout, newline=""))
    assert {row["file"] for row in rows} >= set(names[:4])


@ON_POSIX
def test_links_that_lead_nowhere_are_named_as_such_and_loops_are_searched_once(tmp_path):
    (tmp_path / "set").mkdir()
    soundfile.write(tmp_path / "set" / "a.wav", noise(0.5), RATE_HZ)
    (tmp_path / "set" / "back").symlink_to("..")
    (tmp_path / "self.wav").symlink_to("self.wav")
    (tmp_path / "gone.wav").symlink_to("nowhere.wav")

    done = run(tmp_path, "set", "self.wav", "gone.wav", "--json")

    assert done.returncode == 2
    reason = "it is a link to what is not there, or to itself."
    named = ["set/back/gone.wav", "set/back/self.wav", "self.wav", "gone.wav"]
    assert done.stderr.splitlines() == [f"{name}: {reason}" for name in named]
    assert [one["file"] for one in json.loads(done.stdout)["files"]] == ["set/a.wav"]


def test_what_this_user_may_not_read_does_not_keep_the_others_from_being_measured(tmp_path, monkeypatch):
    soundfile.write(tmp_path / "a.wav", noise(0.5), RATE_HZ)
    # Whoever runs the tests may be allowed everything: the question alone is answered with no.
    monkeypatch.setattr(os, "access", lambda *args, **options: False)

    done = CliRunner().invoke(app, ["loudness", str(tmp_path / "a.wav"), "--quiet"])

    assert done.exit_code == 0, done.output


def test_a_folder_without_audio_is_a_fault(tmp_path):
    (tmp_path / "words").mkdir()
    (tmp_path / "words" / "read.me").touch()

    done = run(tmp_path, "words")

    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "words: no audio file was found in this folder\n"


@pytest.fixture
def long(tmp_path):
    """Two hours of sound in 40 files, which are links to one."""
    soundfile.write(tmp_path / "first.wav", noise(180), RATE_HZ)
    folder = tmp_path / "long"
    folder.mkdir()
    for number in range(40):
        (folder / f"{number:02}.wav").symlink_to("../first.wav")
    return folder


@ON_POSIX
@pytest.mark.parametrize(
    ("number", "status", "last"),
    [(signal.SIGINT, 130, "interrupted; nothing half-written was left"), (signal.SIGTERM, 143, "")],
)
def test_a_signal_ends_it_at_once_without_a_word_of_csv_or_a_traceback(long, number, status, last):
    """Sent when the bar shows that files are being measured; s: one to end, as much for a busy machine."""
    terminal, other_end = os.openpty()
    seen, shown = bytearray(), threading.Event()

    def read_on() -> None:
        # Without a reader the program would wait for room on its terminal, for ever.
        with contextlib.suppress(OSError):  # how Linux says that nobody has the other end any more
            while more := os.read(terminal, 4096):
                seen.extend(more)
                if b"Measuring 40 files" in seen:
                    shown.set()

    with subprocess.Popen([*COMMAND, "--csv", str(long)], stdout=subprocess.PIPE, stderr=other_end) as work:
        os.close(other_end)
        reader = threading.Thread(target=read_on, daemon=True)
        reader.start()
        try:
            assert shown.wait(timeout=60)
            work.send_signal(number)
            sent_s = time.monotonic()
            found = work.wait(timeout=30)
            took_s = time.monotonic() - sent_s
        finally:
            work.kill()
        assert work.stdout is not None and work.stdout.read() == b""
    reader.join(timeout=30)
    os.close(terminal)
    print(f"ended {took_s:.2f} s after the signal, at most 2 s")
    assert found == status
    assert took_s <= 2.0
    assert b"Traceback" not in seen
    assert seen.decode().splitlines()[-1].endswith(last)


@ON_POSIX
def test_a_terminal_is_shown_how_many_files_are_done(long):
    terminal, other_end = os.openpty()
    with subprocess.Popen(
        [*COMMAND, "--csv", str(long)], stdout=subprocess.DEVNULL, stderr=other_end
    ) as work:
        os.close(other_end)
        seen = b""
        while not re.search(rb"[1-9]/40", seen):
            seen += os.read(terminal, 4096)
        work.terminate()
        os.close(terminal)  # nobody reads on, so that nobody may wait to be read

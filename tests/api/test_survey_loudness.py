"""Files measured many at once, of any number of channels, in their order; one that is odd stops no other."""

from __future__ import annotations

import subprocess
import threading
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import soundfile

from mixrender.api import loudness as module
from mixrender.api import measure_loudness, measure_many, survey_loudness
from mixrender.audio import programs
from mixrender.errors import AudioError
from mixrender.facts import Loudness
from mixrender.loudness.targets import read_target
from mixrender.units import FloatArray

RATE_HZ = 48_000
LEFT, RIGHT, CENTRE, LFE, LEFT_SURROUND, RIGHT_SURROUND = range(6)


def tone(*, level_dbfs: float = -20.0, seconds: float = 1.0, rate_hz: int = RATE_HZ) -> FloatArray:
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * 997 / rate_hz * np.arange(round(seconds * rate_hz)))


def surround(channel: int) -> FloatArray:
    """A tone of 997 Hz on one of six channels, the others silent."""
    sound = np.zeros((RATE_HZ, 6))
    sound[:, channel] = tone()
    return sound


@pytest.fixture
def music(tmp_path):
    """A folder of six tones, each 2 dB louder than the one before, and a file that is no sound."""
    folder = tmp_path / "music"
    folder.mkdir()
    for number in range(6):
        sound = tone(level_dbfs=-30.0 + 2 * number, seconds=3.0 - 0.4 * number)
        soundfile.write(folder / f"{number}.wav", np.stack([sound, sound], axis=1), RATE_HZ, subtype="FLOAT")
    (folder / "2b.mp3").write_text("no sound at all\n" * 200)
    return folder


# --- many ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("jobs", [1, 4])
def test_files_come_in_their_order_and_the_fault_of_one_at_its_place(music, jobs):
    found = list(measure_many([music / "5.wav", music], jobs=jobs))

    in_order = ["5.wav", "0.wav", "1.wav", "2.wav", "2b.mp3", "3.wav", "4.wav"]
    assert [file.name for file, _ in found] == in_order
    assert [isinstance(outcome, Loudness) for _, outcome in found] == [True] * 4 + [False] + [True] * 2
    (fault,) = [outcome for _, outcome in found if isinstance(outcome, AudioError)]
    assert fault.file == music / "2b.mp3"


def test_many_at_once_read_the_same_as_one_by_one(music):
    """Bit for bit: nothing is shared between them."""
    files = sorted(music.glob("*.wav"))

    assert dict(measure_many(files, jobs=4)) == {file: measure_loudness(file) for file in files}


def test_no_file_is_decoded_twice_whatever_is_asked_for(music, monkeypatch):
    decoded = []

    def counted(info):
        decoded.append(info.path.name)
        return channel_blocks(info)

    channel_blocks = module.channel_blocks
    monkeypatch.setattr(module, "channel_blocks", counted)

    survey_loudness([music, music / "0.wav", music], target=read_target("EBU R 128"), together=True, jobs=3)

    assert sorted(decoded) == [f"{number}.wav" for number in range(6)]


def test_a_file_over_which_the_program_stumbles_is_a_fault_and_the_others_are_done(music, monkeypatch):
    def stumble(info):
        if info.path.name == "1.wav":
            raise ZeroDivisionError("by the way")
        return channel_blocks(info)

    channel_blocks = module.channel_blocks
    monkeypatch.setattr(module, "channel_blocks", stumble)

    survey = survey_loudness([music], jobs=3)

    assert [reading.file.name for reading in survey.readings] == [f"{n}.wav" for n in (0, 2, 3, 4, 5)]
    assert [file.name for file, _ in survey.faults] == ["1.wav", "2b.mp3"]
    assert "ZeroDivisionError: by the way; details in" in str(survey.faults[0][1])


def test_an_empty_folder_is_a_fault_beside_what_was_measured(music, tmp_path):
    (tmp_path / "empty").mkdir()

    survey = survey_loudness([tmp_path / "empty", music / "0.wav"])

    assert len(survey.readings) == 1
    assert "no audio file was found in this folder" in str(survey.faults[0][1])


def test_when_nobody_waits_any_more_the_threads_end(music, monkeypatch):
    """Within 2 s on a busy machine (common practice, no source): each looks once a block."""

    def endless(info):
        if info.path.name == "0.wav":
            yield from channel_blocks(info)
        while info.path.name != "0.wav":
            time.sleep(0.01)
            yield np.zeros((100, 2), np.float32)

    channel_blocks = module.channel_blocks
    monkeypatch.setattr(module, "channel_blocks", endless)
    before = threading.active_count()
    found = measure_many(sorted(music.glob("*.wav")), jobs=3)
    next(found)
    assert threading.active_count() > before

    begin = time.monotonic()
    found.close()

    print(f"{time.monotonic() - begin:.2f} s")
    assert time.monotonic() - begin < 2.0
    assert threading.active_count() == before


class Counted:
    """A progress that keeps what it was told."""

    def __init__(self) -> None:
        self.tasks: list[tuple[str, float, bool]] = []
        self.done: list[float] = []

    @contextmanager
    def task(self, label, total, *, counted=False):
        self.tasks.append((label, total, counted))
        yield self.done.append


def test_progress_counts_the_files_that_are_done(music):
    progress = Counted()

    survey_loudness([music], progress=progress, jobs=2)

    assert progress.tasks == [("Measuring 7 files", 7, True)]
    assert progress.done == [1.0] * 7


def test_progress_of_one_file_is_its_seconds(music):
    progress = Counted()

    survey_loudness([music / "0.wav"], progress=progress)

    assert progress.tasks == [("Measuring 0.wav", 3.0, False)]
    assert sum(progress.done) == pytest.approx(3.0, abs=1e-6)


# --- verdicts --------------------------------------------------------------------------------------------


def test_a_survey_fails_where_a_file_misses_the_target_and_not_for_a_fault_or_silence(music):
    soundfile.write(music / "silence.wav", np.zeros((RATE_HZ, 2)), RATE_HZ)
    quiet = [music / "0.wav", music / "silence.wav", music / "2b.mp3"]

    assert survey_loudness(quiet, target=read_target("-30 LUFS")).has_failed is False
    assert survey_loudness([*quiet, music / "5.wav"], target=read_target("-30 LUFS")).has_failed is True


def test_together_all_files_are_judged_as_one_programme(music):
    """10 lg of the mean power: 997 Hz at -20 dBFS in both channels is -20.0 LUFS (BS.1770-5); 0.05 LU."""
    files = [music / "5.wav", music / "4.wav"]

    survey = survey_loudness(files, target=read_target("-20.8 LUFS"), together=True)

    expected_lufs = 10 * np.log10((7 * 10**-2.0 + 11 * 10**-2.2) / 18)  # blocks of 1.0 s and of 1.4 s
    assert survey.together is not None and survey.together.integrated_lufs is not None
    print(f"{survey.together.integrated_lufs:.3f} LUFS, expected {expected_lufs:.3f}")
    assert abs(survey.together.integrated_lufs - expected_lufs) < 0.05
    assert survey.together_judgement is not None


# --- channels and rates ----------------------------------------------------------------------------------

WEIGHTS = [
    # BS.1770-5, Annex 1: 997 Hz at 0 dBFS in one front channel is -3.01 LKFS; surround weighs 1.41, LFE 0.
    (LEFT, -23.01),
    (CENTRE, -23.01),
    (LEFT_SURROUND, -23.01 + 1.49),
    (RIGHT_SURROUND, -23.01 + 1.49),
    (LFE, None),
]


@pytest.mark.parametrize("name", ["six.wav", "six.flac", "six.aiff", "six.ogg", "six.opus", "six.m4a"])
@pytest.mark.parametrize(("channel", "expected_lufs"), WEIGHTS)
def test_a_file_of_six_channels_is_weighted_by_its_channels(tmp_path, name, channel, expected_lufs):
    """0.02 LU where the format keeps the samples, 0.3 LU where it does not; both tell the channels apart."""
    soundfile.write(tmp_path / "source.wav", surround(channel), RATE_HZ, subtype="PCM_24")
    convert(tmp_path / "source.wav", tmp_path / name)
    bound_lu = 0.02 if name.endswith(("wav", "flac", "aiff")) else 0.3

    measured = measure_loudness(tmp_path / name)

    print(f"{measured.integrated_lufs} LUFS, expected {expected_lufs}")
    if expected_lufs is None:
        assert measured.integrated_lufs is None or measured.integrated_lufs < -60.0
    else:
        assert measured.integrated_lufs is not None
        assert abs(measured.integrated_lufs - expected_lufs) < bound_lu


def convert(source: Path, to: Path) -> None:
    """Have ffmpeg write the same sound in the format of a name."""
    codec = {".ogg": ["-c:a", "libvorbis", "-q:a", "8"], ".opus": ["-c:a", "libopus", "-b:a", "510k"]}
    command = [programs.ffmpeg(), "-v", "error", "-channel_layout", "5.1", "-i", source]
    subprocess.run([*command, *codec.get(to.suffix, ["-b:a", "640k"]), to], check=True)


@pytest.mark.parametrize(("rate_hz", "option"), [(4_000, "-ar 48000"), (384_000, "-ar 48000")])
def test_a_rate_that_cannot_be_measured_names_the_file_and_the_cure(tmp_path, rate_hz, option):
    soundfile.write(tmp_path / "odd.wav", np.zeros((rate_hz, 1)), rate_hz)

    with pytest.raises(AudioError, match=rf'odd\.wav: .*{rate_hz} Hz.*ffmpeg -i "odd\.wav" {option}'):
        measure_loudness(tmp_path / "odd.wav")


def test_more_channels_than_can_be_weighted_name_the_file_and_the_cure(tmp_path):
    soundfile.write(tmp_path / "wide.wav", np.zeros((100, 16)), RATE_HZ)

    with pytest.raises(AudioError, match=r'wide\.wav: .*16 channels.*ffmpeg -i "wide\.wav" -ac 6'):
        measure_loudness(tmp_path / "wide.wav")


@pytest.mark.parametrize("rate_hz", [22_050, 44_100, 192_000])
def test_a_mono_file_of_any_rate_reads_as_its_one_channel(tmp_path, rate_hz):
    """-23.01 LUFS (BS.1770-5, 997 Hz at -20 dBFS in one channel) within 0.03 LU."""
    soundfile.write(tmp_path / "one.wav", tone(rate_hz=rate_hz), rate_hz, subtype="FLOAT")

    measured = measure_loudness(tmp_path / "one.wav").integrated_lufs

    assert measured is not None
    print(f"{measured:.4f} LUFS")
    assert abs(measured + 23.01) < 0.03

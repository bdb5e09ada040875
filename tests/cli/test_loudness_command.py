"""`mixrender loudness` as a user meets it: tables, verdicts, JSON, CSV, exit statuses."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from jsonschema import validate

from mixrender.loudness.targets import TARGETS

RATE_HZ = 48_000


@pytest.fixture
def run(tmp_path):
    def run(*args: object) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "mixrender", "loudness", *map(str, args)]
        environment = os.environ | {"MIXRENDER_CACHE": str(tmp_path / "cache"), "PYTHONUTF8": "1"}
        return subprocess.run(
            command, env=environment, capture_output=True, text=True, cwd=tmp_path, timeout=60
        )

    return run


@pytest.fixture
def tones(tmp_path):
    """997 Hz in both channels for 4 s: a.wav is -17.2 LUFS with one peak of -2.8 dBFS, b.wav -14.0 LUFS."""
    for name, level_db, peak_db in (("a.wav", -17.2, -2.8), ("b.wav", -14.0, -14.0)):
        wave = 10 ** (level_db / 20) * np.sin(2 * np.pi * 997 / RATE_HZ * np.arange(4 * RATE_HZ))
        sound = np.stack([wave, wave], axis=1)
        # A cosine pulse of 1 ms: too short to be loud, too smooth to peak between its samples.
        pulse = 10 ** (peak_db / 20) * np.hanning(49)[:, None]
        if peak_db > level_db:
            sound[96_000 : 96_000 + 49] = pulse
        soundfile.write(tmp_path / name, sound, RATE_HZ, subtype="FLOAT")
    return tmp_path


def test_without_a_target_it_measures_and_gives_no_verdict(run, tones):
    done = run("a.wav", "b.wav")

    assert (done.returncode, done.stderr) == (0, "")
    assert "verdict" not in done.stdout
    (document,) = json.loads(run("b.wav", "--json").stdout)["files"]
    assert (document["target"], document["verdict"], document["criteria"]) == (None, None, [])
    assert document["integrated_lufs"] == pytest.approx(-14.0, abs=0.02)
    assert document["plr_lu"] == document["true_peak_dbtp"] - document["integrated_lufs"]
    assert document["true_peak_channel"] == "left"


WORDS = {
    1: ["mono"],
    2: ["left", "right"],
    3: ["left", "right", "centre"],
    6: ["left", "right", "centre", "LFE", "left surround", "right surround"],
}
"""Channels in the order of WAV (BS.1770-5, table 3)."""


def test_the_channel_of_the_true_peak_is_one_word_in_table_csv_and_json(run, tmp_path):
    expected = {}
    for channels, words in WORDS.items():
        for channel, word in enumerate(words):
            sound = np.random.default_rng(1).uniform(-0.1, 0.1, (RATE_HZ // 2, channels))
            sound[9_000, channel] = 0.8
            soundfile.write(tmp_path / f"{channels}-{channel}.wav", sound, RATE_HZ)
            expected[f"{channels}-{channel}.wav"] = word
    asked = ["--together", *expected]

    documents = json.loads(run(*asked, "--json").stdout)
    rows = csv.DictReader(io.StringIO(run(*asked, "--csv").stdout, newline=""))
    table = run(*asked).stdout.partition("Peaks")[2].splitlines()

    assert {one["file"]: one["true_peak_channel"] for one in documents["files"]} == expected
    in_csv = {row["file"]: row["true_peak_channel"] for row in rows}
    assert in_csv == expected | {"all together": documents["together"]["true_peak_channel"]}
    for name, word in expected.items():
        (line,) = [line for line in table if line.split()[:1] == [name]]
        assert f"  {word}  " in line


def test_a_miss_is_told_with_the_gain_that_cures_it_and_what_the_true_peak_would_be(run, tones):
    done = run("a.wav", "b.wav", "--target", "-14 LUFS, -1 dBTP")

    assert (done.returncode, done.stderr) == (1, "")
    assert " ".join(done.stdout.split()).endswith(
        "a.wav: integrated 3.1 LU under; +3.2 dB gain reaches -14.0 LUFS; its true peak would be +0.4 dBTP: "
        "1.4 dB over the ceiling, so it needs limiting"
    )
    verdicts = {line.split()[0]: line.split()[1] for line in done.stdout.splitlines() if " pass" in line}
    assert verdicts == {"b.wav": "pass"}


def test_a_true_peak_alone_that_is_over_is_told_with_what_brings_it_down(run, tones):
    done = run("a.wav", "--target", "-17.2 LUFS, -4 dBTP")

    assert done.returncode == 1
    assert "a.wav: true peak 1.2 dB over; -1.2 dB gain brings it down, which leaves -18.4 LUFS" in done.stdout


def test_files_of_one_name_are_shown_with_their_folders(run, tones):
    (tones / "dub").mkdir()
    (tones / "dub" / "a.wav").write_bytes((tones / "a.wav").read_bytes())

    done = run("a.wav", "b.wav", "dub", "--target", "-14 LUFS")

    names = [line.split()[0] for line in done.stdout.splitlines() if " fail" in line or " pass" in line]
    assert names == ["a.wav", "b.wav", str(Path("dub/a.wav"))]


def test_a_pass_is_status_0(run, tones):
    assert run("b.wav", "--target", "{integrated: -14 LUFS, true_peak: -1 dBTP}").returncode == 0


CRITERION = {
    "type": "object",
    "required": ["name", "unit", "value", "lowest", "highest", "distance", "verdict"],
}


def test_the_json_has_criteria_and_the_cure_of_each_file_and_of_all(run, tones):
    done = run("a.wav", "b.wav", "--target", "-14 LUFS", "--together", "--json")
    document = json.loads(done.stdout)

    assert done.returncode == 1
    assert [file["verdict"] for file in document["files"]] == ["fail", "pass"]
    file = document["files"][0]
    assert (file["file"], file["target"]) == ("a.wav", "-14 LUFS, -1 dBTP")
    assert file["gain_to_target_db"] == pytest.approx(3.2, abs=0.02)
    assert file["true_peak_after_gain_dbtp"] == pytest.approx(0.4, abs=0.03)
    for criterion in file["criteria"]:
        validate(criterion, CRITERION)
    assert [(one["name"], one["distance"], one["verdict"]) for one in file["criteria"]] == [
        ("integrated", -3.1, "fail"),
        ("true peak", 0.0, "pass"),
    ]
    together = document["together"]
    assert together["files"] == 2
    # 10 lg of the mean of the two powers, BS.1770-5; 0.02 LU.
    assert together["integrated_lufs"] == pytest.approx(10 * np.log10((10**-1.4 + 10**-1.72) / 2), abs=0.02)
    assert document["target"]["highest_integrated_lufs"] == pytest.approx(-13.9)
    assert document["faults"] == []


def test_silence_is_not_measurable_and_no_miss(run, tones):
    soundfile.write(tones / "silence.wav", np.zeros((RATE_HZ, 2)), RATE_HZ)

    done = run("silence.wav", "--target", "EBU R 128")

    assert (done.returncode, done.stderr) == (0, "")
    assert "not measurable" in done.stdout
    (file,) = json.loads(run("silence.wav", "--target", "EBU R 128", "--json").stdout)["files"]
    assert (file["target"], file["verdict"], file["gain_to_target_db"]) == ("EBU R 128", None, None)
    assert [(one["value"], one["verdict"]) for one in file["criteria"]] == [(None, None)] * 2


def test_a_file_that_cannot_be_read_is_named_the_others_are_done_and_the_status_is_2(run, tones):
    (tones / "folder").mkdir()
    (tones / "a.wav").rename(tones / "folder" / "a.wav")
    (tones / "folder" / "aa.flac").write_text("no sound at all\n" * 100)

    done = run("gone.wav", "folder", "b.wav", "--target", "-14 LUFS", "--json", "--jobs", "2")
    document = json.loads(done.stdout)

    assert done.returncode == 2
    assert [line.partition(":")[0] for line in done.stderr.splitlines()] == ["gone.wav", "folder/aa.flac"]
    assert [file["file"] for file in document["files"]] == ["folder/a.wav", "b.wav"]
    assert [fault["file"] for fault in document["faults"]] == ["gone.wav", "folder/aa.flac"]


def test_csv_has_the_names_of_the_json_and_a_line_for_each_file(run, tones):
    name = 'b, "the dub".wav'
    (tones / "b.wav").rename(tones / name)

    done = run(name, "a.wav", "--target", "-14 LUFS", "--together", "--csv")
    rows = list(csv.DictReader(io.StringIO(done.stdout, newline="")))
    (document,) = json.loads(run("a.wav", "--target", "-14 LUFS", "--json").stdout)["files"]

    assert done.returncode == 1
    assert [row["file"] for row in rows] == [name, "a.wav", "all together"]
    assert [row["verdict"] for row in rows] == ["pass", "fail", "fail"]
    assert float(rows[1]["integrated_distance_lu"]) == -3.1
    told = [key for key in document if key != "criteria"]
    assert {key: rows[1][key] for key in told} == {key: str(document[key]) for key in told} | {
        "loudness_range_unstable": "yes"
    }


def test_json_and_csv_are_not_given_at_once(run, tones):
    done = run("a.wav", "--json", "--csv")

    assert done.returncode == 2
    assert "choose one" in done.stderr


@pytest.mark.parametrize(
    ("text", "message"),
    [("loud", "`EBU R 128 s1`, `EBU R 128 s2`"), ("-14", "write `-14 LUFS`"), ("-14 dB", "`-14 LUFS`")],
)
def test_a_target_that_is_not_known_is_refused_before_anything_is_measured(run, tones, text, message):
    done = run("a.wav", "--target", text)

    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("--target: ") and message in done.stderr


def test_the_option_and_the_help_list_every_target_with_its_document(run):
    listed, helped = run("--targets"), run("--help")

    assert (listed.returncode, helped.returncode) == (0, 0)
    for page in (" ".join(listed.stdout.split()), " ".join(helped.stdout.split())):
        for target in TARGETS.values():
            assert target.name in page
            assert target.document in page


def test_targets_are_told_as_json_and_as_csv_too(run):
    told, rows = run("--targets", "--json"), run("--targets", "--csv")
    documents = json.loads(told.stdout)["targets"]
    in_csv = list(csv.DictReader(io.StringIO(rows.stdout, newline="")))

    assert (told.returncode, told.stderr, rows.returncode, rows.stderr) == (0, "", 0, "")
    assert [one["name"] for one in documents] == [target.name for target in TARGETS.values()]
    assert documents[0]["highest_integrated_lufs"] == -22.8 and documents[0]["max_true_peak_dbtp"] == -1.0
    assert in_csv == [{key: "" if x is None else str(x) for key, x in one.items()} for one in documents]


def test_without_files_it_is_said_what_to_name(run):
    done = run("--target", "-14 LUFS")

    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "no files are named; name audio files, or folders of them\n"


def test_figures_of_the_json_have_no_rounding_errors_and_figures_of_one_s_own_no_document(run, tones):
    document = json.loads(run("a.wav", "--target", "-14 LUFS", "--json").stdout)
    file = document["files"][0]

    assert document["target"]["document"] is None
    for value in (file["gain_to_target_db"], file["true_peak_after_gain_dbtp"]):
        assert value == round(value, 6)
    assert file["gain_to_target_db"] == pytest.approx(-14.0 - file["integrated_lufs"], abs=1e-6)
    assert file["criteria"][0]["highest"] == -13.9


def test_the_album_target_asks_its_loudness_of_the_loudest_file(run, tones):
    done = run("a.wav", "b.wav", "--target", "aes77 music album", "--together", "--json")
    document = json.loads(done.stdout)

    assert done.returncode == 0
    assert [file["verdict"] for file in document["files"]] == ["pass", "pass"]
    assert document["together"]["verdict"] is None

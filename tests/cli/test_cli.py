"""The commands as a user meets them: output, exit statuses, faults, interruption."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from mixrender import api

RATE_HZ = 44100


def drum_loop(bpm: float, bars: int, *, tone_hz: float, seed: int) -> np.ndarray:
    """A kick on each beat, a hat between, a steady tone: enough for tempo and loudness."""
    rng = np.random.default_rng(seed)
    beat = 60 / bpm * RATE_HZ
    n = round(bars * 4 * beat)
    sound = 0.03 * np.sin(2 * np.pi * tone_hz * np.arange(n) / RATE_HZ)
    t = np.arange(round(0.15 * RATE_HZ)) / RATE_HZ
    kick = 0.7 * np.sin(2 * np.pi * (50 * t + 6 * (1 - np.exp(-t * 40)))) * np.exp(-t * 25)
    hat = 0.2 * rng.normal(size=2000) * np.exp(-np.arange(2000) / 300)
    for k in range(bars * 4):
        for place, hit in ((k * beat, kick), ((k + 0.5) * beat, hat)):
            start = round(place)
            stop = min(start + len(hit), n)
            sound[start:stop] += hit[: stop - start]
    return np.column_stack([sound, sound])


@pytest.fixture(scope="session")
def cache(tmp_path_factory):
    return tmp_path_factory.mktemp("cache")


@pytest.fixture(scope="session")
def music(tmp_path_factory):
    folder = tmp_path_factory.mktemp("music")
    soundfile.write(folder / "ferry.flac", drum_loop(124, 24, tone_hz=220, seed=1), RATE_HZ)
    soundfile.write(folder / "lantern.wav", drum_loop(126, 24, tone_hz=330, seed=2), RATE_HZ)
    return folder


@pytest.fixture
def plan(music, tmp_path):
    file = tmp_path / "night.yaml"
    file.write_text(
        f"""
tracks:
  ferry: {{file: {music}/ferry.flac, grid: {{tempo: 124 BPM, bar_1: 0 s}}}}
  lantern: {{file: {music}/lantern.wav, grid: {{tempo: 126 BPM, bar_1: 0 s}}}}
transitions:
  - {{from: ferry, to: lantern, leave: 13, enter: 1, overlap: 8 bars}}
""",
        encoding="utf-8",
    )
    return file


@pytest.fixture
def run(cache):
    def run(*args, **environment):
        return subprocess.run(
            [sys.executable, "-m", "mixrender", *map(str, args)],
            env=os.environ | {"MIXRENDER_CACHE": str(cache)} | environment,
            capture_output=True,
            text=True,
            timeout=120,
        )

    return run


def test_help_names_every_command_and_the_two_cautions(run):
    done = run("--help")

    assert done.returncode == 0
    for word in ("analyze", "check", "preview", "render", "loudness", "schema", "demo", "cache"):
        assert word in done.stdout
    assert "Mind your ears" in done.stdout and "licences" in done.stdout


def test_render_writes_the_mix_and_its_report(run, plan):
    done = run("render", plan)

    assert done.returncode == 0, done.stderr
    folder = plan.with_suffix("")
    assert sorted(p.name for p in folder.iterdir()) == [
        "loudness.csv",
        "loudness.png",
        "loudness.svg",
        "mix.flac",
        "mix.html",
        "report.json",
    ]
    report = json.loads((folder / "report.json").read_text())
    frames = soundfile.info(folder / "mix.flac").frames
    assert report["mix"]["duration_s"] == pytest.approx(frames / RATE_HZ, abs=1e-4)
    assert report["mix"]["true_peak_dbtp"] <= -0.95
    offset = report["transitions"][0]["beat_offset_ms"]
    print(f"beat offset {offset}")
    assert abs(offset["median"]) < 1.0  # ms
    assert "the mix" in done.stdout and "Mind your ears" in done.stdout and "licences" in done.stdout


def test_json_is_the_only_thing_on_stdout(run, plan):
    done = run("render", plan, "--json")

    document = json.loads(done.stdout)
    assert document == json.loads((plan.with_suffix("") / "report.json").read_text())
    assert set(document) >= {
        "mix", "beats_s", "first_beat", "tempo_map", "tracks", "transitions", "master", "inputs", "versions"
    }  # fmt: skip


def test_quiet_prints_nothing(run, plan):
    done = run("render", plan, "--quiet")

    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_preview_writes_numbered_clips(run, plan, tmp_path):
    done = run("preview", plan, "-o", tmp_path / "clips", "--lead", "4", "--tail", "2")

    assert done.returncode == 0, done.stderr
    assert sorted(p.name for p in (tmp_path / "clips").iterdir()) == [
        "01-ferry-lantern.flac",
        "preview.html",
        "report.json",
    ]
    assert str(tmp_path / "clips" / "preview.html") in "".join(done.stdout.split())
    transition = json.loads((tmp_path / "clips" / "report.json").read_text())["transitions"][0]
    assert transition["clip"] == "01-ferry-lantern.flac"
    assert transition["clip_start_s"] == pytest.approx(8 * 240 / 124, abs=0.1)


def test_only_a_transition_that_is_there(run, plan):
    done = run("preview", plan, "--only", "2")

    assert done.returncode == 2
    assert "there is no transition 2: the plan has 1, counted from 1" in done.stderr


def test_check_prints_the_timeline(run, plan):
    done = run("check", plan)

    assert done.returncode == 0
    assert "ferry → lantern" in done.stdout
    assert not plan.with_suffix("").exists()


def test_check_reports_every_fault_with_its_place_and_without_a_traceback(run, plan):
    plan.write_text(
        plan.read_text()
        .replace("8 bars", "8 barns")
        .replace("leave: 13", "leave: outro")
        .replace("ferry.flac", "no.flac")
    )
    done = run("check", plan)

    assert done.returncode == 2
    lines = done.stderr.strip().splitlines()
    print(done.stderr)
    assert len(lines) == 3
    assert all(line.startswith(f"{plan}:") for line in lines)
    assert "Traceback" not in done.stderr


def test_a_missing_plan_is_one_line(run, tmp_path):
    done = run("render", tmp_path / "nothing.yaml")

    assert done.returncode == 2
    assert done.stderr == f"{tmp_path / 'nothing.yaml'}: there is no such plan file\n"


def test_an_unknown_option_is_status_2(run, plan):
    assert run("render", plan, "--loud").returncode == 2


def test_a_missing_rubberband_is_status_3_with_the_line_to_install_it(run, plan, tmp_path):
    done = run("render", plan, MIXRENDER_RUBBERBAND="/nonexistent", MIXRENDER_CACHE=str(tmp_path / "cold"))

    assert done.returncode == 3
    assert "apt install rubberband-cli" in done.stderr
    assert not (plan.with_suffix("") / "mix.flac").exists()


def test_a_mix_that_stretches_nothing_needs_no_rubberband(run, plan, tmp_path):
    plan.write_text(plan.read_text().replace("overlap: 8 bars", "overlap: 0 bars"))
    done = run("render", plan, MIXRENDER_RUBBERBAND="/nonexistent", MIXRENDER_CACHE=str(tmp_path / "cold"))

    assert done.returncode == 0, done.stderr


def test_a_target_that_cannot_be_met_is_status_1(run, plan, music, tmp_path):
    soundfile.write(tmp_path / "silence.wav", np.zeros((RATE_HZ * 20, 2)), RATE_HZ)
    plan.write_text("loudness: -14 LUFS\ntracks: [silence.wav]\n")
    done = run("render", plan)

    assert done.returncode == 1, done.stderr
    assert "the target was missed: its loudness is not measurable" in done.stderr
    assert (plan.with_suffix("") / "mix.flac").exists()


def test_analyze_goes_on_after_a_bad_file(run, music, tmp_path):
    bad = tmp_path / "bad.wav"
    bad.write_bytes(b"this is no sound")
    done = run("analyze", bad, music / "ferry.flac", "--json")

    assert done.returncode == 2
    assert "bad.wav" in done.stderr and "Traceback" not in done.stderr
    (track,) = json.loads(done.stdout)["tracks"]
    assert track["tempo_bpm"] == pytest.approx(124, abs=0.01)
    assert {"beats_s", "downbeats_s", "key", "sections", "first_enter_bar", "loudness"} <= set(track)


def test_analyze_searches_folders(run, music):
    done = run("analyze", music, "--json")

    assert [Path(t["file"]).name for t in json.loads(done.stdout)["tracks"]] == ["ferry.flac", "lantern.wav"]


def test_loudness_of_silence_is_null(run, tmp_path):
    soundfile.write(tmp_path / "silence.wav", np.zeros((RATE_HZ, 2)), RATE_HZ)
    done = run("loudness", tmp_path / "silence.wav", "--json")

    (figures,) = json.loads(done.stdout)["files"]
    assert figures["integrated_lufs"] is None and figures["true_peak_dbtp"] is None
    assert figures["duration_s"] == 1.0


def test_schema_is_a_schema(run):
    schema = json.loads(run("schema").stdout)

    assert "tracks" in schema["properties"]


def test_cache_can_be_shown_and_cleared(run, tmp_path, music):
    cold = str(tmp_path / "cold")
    run("analyze", music, MIXRENDER_CACHE=cold)

    assert run("cache", "show", MIXRENDER_CACHE=cold).returncode == 0
    assert run("cache", "clear", MIXRENDER_CACHE=cold).returncode == 0


@pytest.mark.parametrize(("sent", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_an_interrupted_render_leaves_nothing(plan, tmp_path, sent, status):
    folder = tmp_path / "out"
    child = subprocess.Popen(
        [sys.executable, "-m", "mixrender", "render", str(plan), "-o", str(folder)],
        env=os.environ | {"MIXRENDER_CACHE": str(tmp_path / "cold")},
        stderr=subprocess.PIPE,
        text=True,
    )
    # The cold cache fills while the work goes on: this is in the middle of it.
    while child.poll() is None and not list((tmp_path / "cold").glob("decoded/*/*")):
        time.sleep(0.02)
    child.send_signal(sent)
    _, stderr = child.communicate(timeout=30)

    assert child.returncode == status
    assert "Traceback" not in stderr
    assert not folder.exists() or not list(folder.iterdir())
    assert not list((tmp_path / "cold").rglob("*.partial*"))


def test_a_fault_of_the_program_itself_is_one_line(monkeypatch, capsys, plan):
    from mixrender.__main__ import main

    def fail(*args, **kwargs):
        raise RuntimeError("impossible")

    monkeypatch.setattr(api, "resolve", fail)
    monkeypatch.setattr(sys, "argv", ["mixrender", "check", str(plan)])
    with pytest.raises(SystemExit) as caught:
        main()

    assert caught.value.code == 70
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert line.startswith("a fault of mixrender itself: RuntimeError: impossible; details in ")
    details = Path(line.split("details in ")[1])
    assert "Traceback" in details.read_text()
    details.unlink()


def test_check_as_json_holds_the_problems_of_a_faulty_plan(run, plan):
    plan.write_text(plan.read_text().replace("8 bars", "8 barns"))
    done = run("check", plan, "--json")

    (problem,) = json.loads(done.stdout)["problems"]
    assert done.returncode == 2
    assert problem["path"] == "transitions[1].overlap"
    assert (problem["severity"], problem["line"]) == ("error", 6)


def test_an_interruption_while_the_program_loads_leaves_no_traceback(plan):
    # How soon the program is there depends on the machine: an interruption of Python itself does not count.
    for wait_s in (0.3, 0.6, 1.2, 2.4, 4.8):
        child = subprocess.Popen(
            [sys.executable, "-m", "mixrender", "check", str(plan)], stderr=subprocess.PIPE, text=True
        )
        time.sleep(wait_s)
        child.send_signal(signal.SIGINT)
        _, stderr = child.communicate(timeout=30)
        if child.returncode == 130 or "mixrender" in stderr:
            break

    assert child.returncode == 130
    assert "Traceback" not in stderr


def test_an_mp3_is_measured_as_it_was_delivered(run, plan):
    plan.write_text(
        plan.read_text() + "output: {format: mp3}\nloudness: {integrated: -9 LUFS, true_peak: -1 dBTP}\n"
    )
    done = run("render", plan)

    mix = json.loads((plan.with_suffix("") / "report.json").read_text())["mix"]
    (figures,) = json.loads(run("loudness", plan.with_suffix("") / "mix.mp3", "--json").stdout)["files"]
    print(f"MP3: {mix['true_peak_dbtp']:.3f} dBTP, exit status {done.returncode}, {done.stderr}")
    assert mix["true_peak_dbtp"] == pytest.approx(figures["true_peak_dbtp"], abs=1e-9)
    met = "met, with" if done.returncode == 0 else "missed: "
    assert f"Target: -9 LUFS, at most -1 dBTP: {met}" in " ".join(done.stdout.split())
    assert ("more head-room" in done.stderr) == (mix["true_peak_dbtp"] > -0.95)
    assert done.returncode == (0 if mix["true_peak_dbtp"] <= -0.9 else 1)


def test_a_file_in_place_of_the_folder_is_status_2(run, plan, music):
    assert run("render", plan, "-o", music / "ferry.flac").returncode == 2


def test_a_cover_that_is_no_picture_is_a_fault_of_the_plan(run, plan, music):
    plan.write_text(plan.read_text() + f"cover: {music}/ferry.flac\n")
    done = run("check", plan)

    assert done.returncode == 2
    assert done.stderr.startswith(f"{plan}:7:") and "JPEG" in done.stderr

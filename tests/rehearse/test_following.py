"""The page follows the plan: only what changed is rendered and sent, faults are shown and go away again."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest
from served import PATIENCE_S, Events, Served, rehearsing

from mixrender.audio.cache import Cache
from mixrender.mixdown import preview
from mixrender.rehearse import work
from mixrender.rehearse.overseen import Overtaken

PLAN_WORDS = "from: b, to: c, leave: 6, enter: 2, overlap: 1 bar"


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Numbers of the transitions whose clips are rendered, as they are."""
    numbers: list[int] = []
    make = preview._made

    def counted(facts, order, *rest):  # type: ignore[no-untyped-def]
        numbers.append(order.transition.index)
        return make(facts, order, *rest)

    monkeypatch.setattr(preview, "_made", counted)
    return numbers


def replace_in(plan_file: Path, old: str, new: str) -> None:
    text = plan_file.read_text(encoding="utf-8")
    assert old in text
    plan_file.write_text(text.replace(old, new), encoding="utf-8")


def named(found: list[tuple[str, dict]], name: str) -> list[dict]:  # type: ignore[type-arg]
    return [document for kind, document in found if kind == name]


def test_the_page_holds_every_transition_and_its_clip(served: Served, events: Events):
    html = served.get().body.decode()

    assert re.findall(r'<section class="transition" id="t(\d)" data-revision="\w{16}"', html) == ["1", "2"]
    for section in served.sections():
        (version,) = section["versions"]
        assert f'src="{version["clip"]}"' in html and f'src="{version["clip"]}"' in section["html"]
        assert section["html"].count("<section") == section["html"].count("</section>") == 1
        assert served.get(version["clip"]).status == 200
        assert version["place"]["bars_s"]


def test_only_what_changed_is_rendered_and_sent(plan_file, served, events, made):
    before = served.sections()

    replace_in(plan_file, "enter: 2, overlap: 1 bar, recipe: none", "enter: 2, overlap: 1 bar, recipe: blend")

    found = events.until_idle()
    sent = named(found, "transition")
    print(f"rendered {made}, new clips in {[one['index'] for one in sent if len(one['versions']) > 1]}, of 2")
    assert made == [2]
    assert sent[0]["index"] == 2  # first, for it is what was changed
    # The picture of the other shows that track's new lanes, should they reach into it; its sound is the same.
    assert [len(one["versions"]) for one in sent] == [2, 1][: len(sent)]
    assert not named(found, "reload")
    now = served.sections()
    assert now[0]["versions"][0]["clip"] == before[0]["versions"][0]["clip"]
    assert now[1]["versions"][0]["clip"] == before[1]["versions"][0]["clip"]
    assert len(now[1]["versions"]) == 2
    for version in now[1]["versions"]:
        assert served.get(version["clip"]).status == 200


def test_a_plan_saved_as_it_was_sends_nothing(plan_file, served, events, made):
    plan_file.write_text(plan_file.read_text(encoding="utf-8") + "# the same\n", encoding="utf-8")

    found = events.until_idle()

    assert made == []
    assert {kind for kind, _ in found} == {"status"}


def test_a_word_without_sound_is_sent_with_the_same_clip(plan_file, served, events, made):
    (before,) = served.sections()[0]["versions"]
    replace_in(plan_file, "overlap: 2 bars, recipe: none", "overlap: 2 bars, recipe: none, note: <b>Kiss</b>")

    (sent,) = named(events.until_idle(), "transition")

    assert made == []
    assert [version["clip"] for version in sent["versions"]] == [before["clip"]]
    assert "&lt;b&gt;Kiss&lt;/b&gt;" in sent["html"]


def test_the_version_before_is_kept_and_older_ones_are_not(plan_file, served, events):
    clips = [served.sections()[0]["versions"][-1]["clip"]]
    for recipe in ("blend", "cut"):
        text = plan_file.read_text(encoding="utf-8")
        plan_file.write_text(re.sub(r"2 bars, recipe: \S+}", f"2 bars, recipe: {recipe}}}", text), "utf-8")
        (sent,) = named(events.until_idle(), "transition")
        clips.append(sent["versions"][-1]["clip"])

    assert [version["clip"] for version in sent["versions"]] == clips[1:]
    assert [served.get(clip).status for clip in clips] == [404, 200, 200]


def test_faults_are_told_with_their_line_and_the_page_stays_until_they_are_mended(plan_file, served, events):
    before = served.sections()
    replace_in(plan_file, "overlap: 2 bars", "overlapp: 2 bars")

    told, _ = events.until("faults")

    (fault,) = told["faults"]
    assert (fault["line"], fault["path"]) == (9, "transitions[1].overlapp")
    assert fault["column"] == plan_file.read_text(encoding="utf-8").splitlines()[8].index("overlapp") + 1
    assert "did you mean `overlap`?" in fault["message"]
    assert fault["text"].startswith("- {from: a, to: b")
    assert served.sections() == before
    assert served.get().status == 200
    until_s = time.monotonic() + PATIENCE_S  # the terminal is told after the page
    while not any("overlapp" in line for line in served.told):
        assert time.monotonic() < until_s
        time.sleep(0.02)

    replace_in(plan_file, "overlapp: 2 bars", "overlap: 2 bars")

    mended, _ = events.until("faults")
    assert mended["faults"] == []
    assert named(events.until_idle(), "transition") == []


def test_a_track_that_goes_is_a_fault_and_its_return_mends_it(plan_file, served, events):
    track = plan_file.parent / "b.wav"
    away = track.rename(track.with_suffix(".away"))
    told, _ = events.until("faults")

    away.rename(track)

    mended, _ = events.until("faults")
    assert "b.wav" in told["faults"][0]["message"] or told["faults"][0]["path"] == "tracks.b.file"
    assert mended["faults"] == []


def test_a_fault_of_the_program_is_one_line_and_the_server_lives_on(plan_file, served, events, monkeypatch):
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("a number that was not foreseen")

    monkeypatch.setattr(work, "render_clips", broken)
    replace_in(plan_file, "recipe: none", "recipe: blend")

    told, _ = events.until("faults")

    (fault,) = told["faults"]
    assert fault["message"].startswith(
        "a fault of mixrender itself: ZeroDivisionError: a number that was not"
    )
    details = Path(fault["message"].split("details in ")[1])
    assert "Traceback" in details.read_text(encoding="utf-8")
    details.unlink()
    monkeypatch.undo()


def test_another_number_of_transitions_is_sent_as_a_list(plan_file, served, events):
    replace_in(plan_file, f"  - {{{PLAN_WORDS}, recipe: none}}\n", "")
    replace_in(plan_file, "  c: {file: c.wav, grid: {tempo: 120 BPM, bar_1: 0 s}}\n", "")

    (state,) = named(events.until_idle(), "reload")

    assert [section["pair"] for section in state["sections"]] == ["a b 0"]
    assert "html" not in state["sections"][0]
    assert served.get("sections/2").status == 404


def test_what_stands_beside_the_transitions_is_told_when_it_changes(plan_file, served, events):
    replace_in(plan_file, "title: Night Ferry", "title: Day Ferry")

    found = events.until_idle()

    assert len(named(found, "around")) == 1
    assert "<h1>Day Ferry</h1>" in served.get().body.decode()


def test_a_newer_change_overtakes_an_older_one(plan_file, served, events, monkeypatch):
    broken_off: list[float] = []
    render = work.render_clips

    def slow(*args, progress, **rest):  # type: ignore[no-untyped-def]
        if not broken_off:
            replace_in(plan_file, "recipe: blend", "recipe: cut")  # saved again while this is rendered
            saved_s = time.monotonic()
            with progress.task("Long work", total=100.0) as advance:
                try:
                    while time.monotonic() < saved_s + 20.0:
                        time.sleep(0.005)
                        advance(0.0)
                except Overtaken:
                    broken_off.append(time.monotonic() - saved_s)
                    raise
        return render(*args, progress=progress, **rest)

    monkeypatch.setattr(work, "render_clips", slow)
    replace_in(plan_file, "overlap: 2 bars, recipe: none", "overlap: 2 bars, recipe: blend")

    sent = named(events.until_idle(), "transition")

    print(f"broken off {broken_off[0]:.3f} s after the second save")
    assert len(sent) == 1
    assert "cut" in sent[0]["html"] and "blend" not in sent[0]["html"]


def test_only_one_transition_may_be_rehearsed(plan_file: Path, music: tuple[Path, Cache]):
    with rehearsing(plan_file, music[1], only=[2], lead_bars=1.0, tail_bars=1.0) as served:
        events = served.events()
        if not events.until("state")[0]["sections"]:
            events.until_idle()
        events.close()
        assert [section["index"] for section in served.sections()] == [2]
        assert "1 more transition was left out" in served.get().body.decode()


def test_a_plan_at_fault_from_the_start_is_served_with_its_faults(plan_file, music):
    text = plan_file.read_text(encoding="utf-8")
    plan_file.write_text(text.replace("recipe: none", "recipe: nonne"), encoding="utf-8")
    with rehearsing(plan_file, music[1], lead_bars=1.0, tail_bars=1.0) as served:
        events = served.events()
        state, _ = events.until("state")
        faults = state["faults"] or events.until("faults")[0]["faults"]
        assert len(faults) == 2
        assert served.get().status == 200

        plan_file.write_text(text, encoding="utf-8")

        assert events.until("faults")[0]["faults"] == []
        events.until_idle()
        assert len(served.sections()) == 2
        events.close()


def test_a_folder_that_was_asked_for_gets_what_preview_writes(plan_file, music, tmp_path):
    out = tmp_path / "out"
    with rehearsing(plan_file, music[1], lead_bars=1.0, tail_bars=1.0, output=out) as served:
        events = served.events()
        state, _ = events.until("state")
        if len(state["sections"]) < 2 or state["status"]:
            events.until_idle()
        events.close()
    assert sorted(path.name for path in out.iterdir()) == [
        "01-a-b.flac",
        "02-b-c.flac",
        "preview.html",
        "report.json",
    ]


def test_nothing_is_left_in_the_cache_folder_at_the_end(plan_file, music):
    with rehearsing(plan_file, music[1], lead_bars=1.0, tail_bars=1.0) as served:
        events = served.events()
        events.until("state")
        assert list((music[1].root / "scratch").iterdir())
        events.close()
    assert not list((music[1].root / "scratch").iterdir())

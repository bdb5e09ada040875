"""A small mix whose every name tries to break out of the page, and another of twenty transitions."""

from __future__ import annotations

import json
from functools import partial
from itertools import pairwise
from pathlib import Path

from markers import music, write_wav

from mixrender import api
from mixrender.audio.cache import Cache
from mixrender.plan.load import load_plan

BAR_S = 2.0
"""Every mix here runs at 120 BPM, so that it is known without the product where a bar lies."""

LEAD_BARS, OVERLAP_BARS, TAIL_BARS = 4, 4, 2
CLIP_BARS = LEAD_BARS + OVERLAP_BARS + TAIL_BARS
OVERLAP_S = LEAD_BARS * BAR_S
"""Where in every clip of the small mix its overlap begins."""

IMAGE = "<img src=x onerror=alert(1)>"
SCRIPT = "</script></style></svg><script>alert(2)</script>"
TITLE = f"Low & “Tide” ]]> {SCRIPT} {IMAGE}"
ARTIST = "\u202eנמל\u202c <b onmouseover='alert(3)'>"
ARTIST_SHOWN = ARTIST.replace("\u202e", r"\u202e").replace("\u202c", r"\u202c")
"""Signs that turn the direction of what follows are spelled out, so that no name misleads."""

LONG = "Endlesslylongword" * 12
TITLES = {
    "a": f"{IMAGE} \"double\" 'single' & `tick`",
    "b": "שלום מרחוק <svg/onload=alert(4)> 東京 🜁",
    "c": f"{LONG} ]]> --> {{{{ 7 * 7 }}}}",
}
NOTE = f"{IMAGE} <!-- {SCRIPT} `code {IMAGE}`"
FILES = {
    "a": "a <img src=x onerror=alert(1)>.wav",
    "b": "b ' \" & ]]> 100%25?#ü.wav",
    "c": "c.wav",
}

MOVES = """{a: {low: {0: 0 dB, 2: kill at once}}, b: {high: {1: -12 dB, 3: 0 dB in 1 bar}}}"""


def plan_text(*, moves: str = MOVES, overlap_bars: int = OVERLAP_BARS) -> str:
    """The plan of the small mix, with other moves in its first transition or another overlap."""
    text = partial(json.dumps, ensure_ascii=False)  # JSON is a part of YAML
    lines = [f"title: {text(TITLE)}", f"artist: {text(ARTIST)}", f"note: {text(NOTE)}"]
    lines += ["match_loudness: false", "tempo: 120 BPM", "tracks:"]
    for name, bpm in (("a", 120), ("b", 120), ("c", 124)):
        lines.append(
            f"  {name}: {{file: {text(FILES[name])}, title: {text(TITLES[name])}, artist: {text(IMAGE)}, "
            f"grid: {{tempo: {bpm} BPM, bar_1: 0 s}}}}"
        )
    lines += [
        "transitions:",
        f"  - {{from: a, to: b, leave: 7, enter: 2, overlap: {overlap_bars} bars, recipe: none,",
        f"     note: {text(NOTE)},",
        f"     moves: {moves}}}",
        f"  - {{from: b, to: c, leave: 9, enter: 2, overlap: {OVERLAP_BARS} bars}}",
    ]
    return "\n".join(lines) + "\n"


def make_tracks(folder: Path) -> None:
    """Fourteen bars of kicks, hats and chords for each track of the small mix."""
    for seed, (name, bpm) in enumerate((("a", 120.0), ("b", 120.0), ("c", 124.0))):
        write_wav(folder / FILES[name], music(14 * 240.0 / bpm, bpm, 0.0, 44100, seed))


def make_small(folder: Path, cache: Cache) -> None:
    """The plan and tracks of the small mix in `folder`, its preview in `clips`, its mix in `mix`."""
    make_tracks(folder)
    (folder / "plan.yaml").write_text(plan_text(), encoding="utf-8")
    plan = load_plan(folder / "plan.yaml")
    api.preview(plan, folder / "clips", lead_bars=LEAD_BARS, tail_bars=TAIL_BARS, cache=cache)
    api.render(plan, folder / "mix", pictures=False, cache=cache)


def make_long(folder: Path, cache: Cache, *, transitions: int = 20) -> None:
    """A preview of many transitions in `folder`/clips: one short track over and over."""
    write_wav(folder / "loop.wav", music(16.0, 120.0, 0.0, 44100, 7))
    names = [f"t{number:02d}" for number in range(transitions + 1)]
    lines = ["title: Twenty Ferries", "match_loudness: false", "tempo: 120 BPM", "tracks:"]
    lines += [f"  {name}: {{file: loop.wav, grid: {{tempo: 120 BPM, bar_1: 0 s}}}}" for name in names]
    lines.append("transitions:")
    for before, after in pairwise(names):
        lines.append(
            f"  - {{from: {before}, to: {after}, leave: 6, enter: 2, overlap: 2 bars, "
            f"moves: {{{after}: {{low: {{0: kill, 1: 0 dB at once}}}}}}}}"
        )
    (folder / "plan.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    api.preview(load_plan(folder / "plan.yaml"), folder / "clips", lead_bars=2, tail_bars=1, cache=cache)

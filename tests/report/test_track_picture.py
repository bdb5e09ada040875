"""The page about a track: what is drawn lies where the facts say, and nothing in a name breaks it."""

from __future__ import annotations

import dataclasses
import itertools
import struct

import matplotlib
import numpy as np
import pytest
import soundfile
from drawn_words import drawn_words, off_the_page, over_each_other
from matplotlib import style
from matplotlib.colors import to_rgb
from matplotlib.text import Text

from mixrender.analysis.evidence import NEAR_MS, gather
from mixrender.analysis.evidence_rows import LEAD_COLUMNS, MOST_ROWS, MOST_S, PER_BEAT, layout_of
from mixrender.analysis.onsets import FINE_RATE_HZ, RATE_HZ
from mixrender.errors import AudioError
from mixrender.facts import (
    BarContent,
    Confidence,
    Doubt,
    FileTags,
    Grid,
    Loudness,
    Section,
    TrackFacts,
)
from mixrender.report import picture_style
from mixrender.report.picture_bars import mean_bar
from mixrender.report.picture_text import shown
from mixrender.report.track_picture import HEIGHT_PX, WIDTH_PX, track_figure, write_track_picture

SOURCE_HZ = 44100
BPM = 120.0
BAR_1_S = 0.25
BARS = 24


def kicks_at(times_s, *, duration_s):
    """Kick drums at the given times, each with hats half-way to the next."""
    sound = np.zeros(round(duration_s * SOURCE_HZ))
    t = np.arange(round(0.15 * SOURCE_HZ)) / SOURCE_HZ
    kick = 0.7 * np.sin(2 * np.pi * (50 * t + 6 * (1 - np.exp(-t * 40)))) * np.exp(-t * 25)
    hat = 0.1 * np.random.default_rng(1).normal(size=1500) * np.exp(-np.arange(1500) / 250)
    for time_s, following_s in itertools.pairwise([*times_s, 2 * times_s[-1] - times_s[-2]]):
        for place_s, hit in ((time_s, kick), ((time_s + following_s) / 2, hat)):
            start = round(place_s * SOURCE_HZ)
            stop = min(start + hit.size, sound.size)
            sound[start:stop] += hit[: stop - start]
    return np.column_stack([sound, sound])


def facts_for(grid, *, duration_s, **known):
    """The facts of a track that begins to sound at once, with a grid."""
    first = {"first_enter_bar": 1, "last_leave_bar": BARS + 1} if grid.kind != "none" else {}
    return TrackFacts(
        **{
            "content_hash": "0" * 32,
            "duration_s": duration_s,
            "sample_rate_hz": SOURCE_HZ,
            "channels": 2,
            "decoder": "libsndfile",
            "grid": grid,
            "confidence": Confidence(0.97, 0.95, 0.6, 0.5),
            "key": "A minor",
            "key_rival": "C major",
            "last_sound_s": duration_s,
            "loudness": Loudness(duration_s, integrated_lufs=-12.3),
        }
        | first
        | known
    )


STEADY = Grid("steady", BPM, BAR_1_S)
DURATION_S = BAR_1_S + BARS * 2.0 + 0.5


@pytest.fixture(scope="module")
def steady(tmp_path_factory):
    """A file with a kick on each beat of STEADY, and its facts."""
    file = tmp_path_factory.mktemp("music") / "even.wav"
    beats_s = BAR_1_S + 0.5 * np.arange(4 * BARS)
    soundfile.write(file, kicks_at(beats_s, duration_s=DURATION_S), SOURCE_HZ)
    sections = tuple(Section(bar, STEADY.time_at(4 * (bar - 1))) for bar in (1, 9, 17))
    return file, facts_for(
        STEADY, duration_s=DURATION_S, sections=sections, drums_from_bar=1, drums_until_bar=25
    )


@pytest.fixture(scope="module")
def drifting(tmp_path_factory):
    """A file whose tempo falls from 126 to 114 BPM, and its facts."""
    file = tmp_path_factory.mktemp("music") / "slowing.wav"
    beats_s = BAR_1_S + np.concatenate([[0.0], np.cumsum(60 / np.linspace(126, 114, 4 * BARS - 1))])
    duration_s = float(beats_s[-1]) + 1.0
    soundfile.write(file, kicks_at(beats_s, duration_s=duration_s), SOURCE_HZ)
    grid = Grid("drifting", BPM, BAR_1_S, beats_s=tuple(float(b) for b in beats_s))
    return file, facts_for(grid, duration_s=duration_s, sections=(Section(1, BAR_1_S),))


def figure_of(file, facts):
    """The figure of a track and its evidence, drawn so that all places of texts are known."""
    evidence = gather(file, facts)
    with style.context(["default", picture_style.STYLE]):
        figure = track_figure(file, facts, evidence)
        figure.canvas.draw()
    return figure, evidence


def artists(figure, gid):
    return [artist for artist in figure.findobj() if artist.get_gid() == gid]


def lines_s(figure, gid):
    """Where vertical lines of one kind stand."""
    return sorted({round(float(line.get_xdata()[0]), 6) for line in artists(figure, gid)})


def words_of(figure):
    return [text.get_text() for text in figure.findobj(Text) if text.get_text()]


# --- the file --------------------------------------------------------------------------------------------


def test_the_picture_is_a_png_of_its_size_and_mostly_white(steady, tmp_path):
    write_track_picture(*steady, tmp_path / "out.png")
    data = (tmp_path / "out.png").read_bytes()

    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">II", data[16:24]) == (WIDTH_PX, HEIGHT_PX)
    assert [p.name for p in tmp_path.iterdir()] == ["out.png"]
    figure, _ = figure_of(*steady)
    pixels = np.asarray(figure.canvas.buffer_rgba())[:, :, :3].astype(int)
    ink = float((pixels.min(axis=2) < 128).mean())
    print(f"dark: {100 * ink:.1f} % of {pixels.shape[1]} x {pixels.shape[0]} pixels")
    assert pixels.shape == (HEIGHT_PX, WIDTH_PX, 3)
    assert 0.02 <= ink <= 0.4


@pytest.mark.parametrize("format", ["png", "svg"])
def test_the_same_track_gives_the_same_bytes(steady, tmp_path, format):
    for name in ("a", "b"):
        write_track_picture(*steady, tmp_path / f"{name}.{format}", format=format)

    assert (tmp_path / f"a.{format}").read_bytes() == (tmp_path / f"b.{format}").read_bytes()


def test_a_file_that_cannot_be_read_leaves_an_older_picture_alone(steady, tmp_path):
    (tmp_path / "old.png").write_bytes(b"old")

    with pytest.raises(AudioError, match="there is no such file"):
        write_track_picture(tmp_path / "gone.wav", steady[1], tmp_path / "old.png")

    assert (tmp_path / "old.png").read_bytes() == b"old"
    assert len(list(tmp_path.iterdir())) == 1


def test_settings_of_the_user_do_not_count_and_are_kept(steady, tmp_path):
    write_track_picture(*steady, tmp_path / "plain.png")
    odd = {"text.usetex": True, "axes.facecolor": "red", "font.size": 30.0, "font.family": ["cursive"]}
    with matplotlib.rc_context(odd):
        write_track_picture(*steady, tmp_path / "odd.png")
        kept = {name: matplotlib.rcParams[name] for name in odd}

    assert kept == odd
    assert (tmp_path / "odd.png").read_bytes() == (tmp_path / "plain.png").read_bytes()


# --- what is drawn ---------------------------------------------------------------------------------------


def test_lines_of_bars_and_sections_stand_at_their_times(steady):
    figure, evidence = figure_of(*steady)

    bars = lines_s(figure, "bar")
    spans_s = [(close.edges_s[0], close.edges_s[-1]) for close in evidence.close]
    inside = [2.0 * i + BAR_1_S for i in range(BARS + 1)]
    assert bars == [s for s in inside if any(a <= s <= b for a, b in spans_s)]
    assert len(bars) == 8
    assert lines_s(figure, "section") == [BAR_1_S, BAR_1_S + 16.0, BAR_1_S + 32.0]
    assert lines_s(figure, "mark") == [BAR_1_S, BAR_1_S + 48.0]
    (drums,) = artists(figure, "drums")
    assert list(drums.get_xdata()) == [BAR_1_S, BAR_1_S + 48.0]


def test_bars_of_a_changing_tempo_stand_at_their_times_and_the_tempo_is_drawn(drifting):
    file, facts = drifting
    figure, _ = figure_of(file, facts)

    times_s = {round(t, 6) for t in facts.grid.beats_s[::4]}
    bars = lines_s(figure, "bar")
    assert len(bars) >= 7
    # Those before the first beat and after the last lie on its nearest interval.
    inside = [s for s in bars if facts.grid.beats_s[0] <= s <= facts.grid.beats_s[-1]]
    assert len(inside) >= 7 and set(inside) <= times_s
    (tempo,) = artists(figure, "tempo")
    bpm = tempo.get_ydata()
    print(f"tempo drawn from {bpm[1]:.1f} to {bpm[-3]:.1f} BPM")
    assert bpm[1] == pytest.approx(125.5, abs=1.0) and bpm[-3] == pytest.approx(114.5, abs=1.0)


def columns_of_kicks(evidence):
    """The column, from the first beat of the bar on, of the strongest low onset in each beat of each row."""
    rows = evidence.low[1:-1]
    beats = np.roll(rows, -LEAD_COLUMNS + PER_BEAT // 2, axis=1).reshape(len(rows), 4, PER_BEAT)
    return beats.argmax(axis=2) - PER_BEAT // 2


def test_kicks_stand_in_columns_on_the_beats_of_a_right_grid(steady):
    _, evidence = figure_of(*steady)
    columns = columns_of_kicks(evidence)

    print(f"columns off the beat: {np.unique(columns)} of 16 ms")
    assert np.abs(columns).max() <= 1  # column of 16 ms: what the eye takes for on the line


def test_kicks_of_a_changing_tempo_stand_in_columns_too(drifting):
    _, evidence = figure_of(*drifting)

    assert np.abs(columns_of_kicks(evidence)).max() <= 1


def test_a_grid_half_a_beat_off_shows_kicks_between_the_beats(steady):
    file, facts = steady
    off = dataclasses.replace(facts, grid=dataclasses.replace(STEADY, bar_1_s=BAR_1_S + 0.25))
    columns = np.abs(columns_of_kicks(gather(file, off)))

    assert np.abs(columns - PER_BEAT // 2).max() <= 1
    low = mean_bar(gather(file, off).low, beats_per_bar=4)
    assert sorted(np.argsort(low)[-4:]) == [2, 6, 10, 14]


def test_the_mean_bar_has_the_kicks_on_the_beats(steady):
    file, facts = steady
    low = mean_bar(gather(file, facts).low, beats_per_bar=4)

    print(f"sixteenths {np.round(low, 2)}")
    assert low.shape == (16,)
    assert low[::4].min() >= 0.9 and np.delete(low, [0, 4, 8, 12]).max() <= 0.5


def test_a_waltz_has_twelve_sixteenths_and_three_beats(steady):
    file, facts = steady
    waltz = dataclasses.replace(facts, grid=dataclasses.replace(STEADY, beats_per_bar=3), sections=())
    figure, evidence = figure_of(file, waltz)

    assert evidence.low.shape[1] == 3 * PER_BEAT
    assert mean_bar(evidence.low, beats_per_bar=3).shape == (12,)
    assert "3 beats a bar" in words_of(figure)
    assert len(artists(figure, "low")) == 12


def ridge_ms(evidence):
    """Where the strongest onset near the beats lies in each row."""
    return (np.argmax(evidence.near, axis=1) - evidence.near.shape[1] // 2) * 1000 / FINE_RATE_HZ


def test_onsets_near_the_beats_lie_on_the_line(steady):
    ridge = ridge_ms(gather(*steady))[1:-1]

    print(f"ridge at {np.median(ridge):+.2f} ms, {ridge.min():+.2f} to {ridge.max():+.2f}")
    assert np.abs(ridge).max() <= 3.0  # ms: two frames; a window of 12 ms sees a sharp attack before it


def test_a_tempo_a_little_wrong_slants_the_line_by_what_it_is_wrong(steady):
    file, facts = steady
    wrong = dataclasses.replace(facts, grid=dataclasses.replace(STEADY, tempo_bpm=BPM * 1.0005))
    ridge = ridge_ms(gather(file, wrong))[1:-1]
    # Each bar of 2 s is 1 ms shorter in the grid than in the sound.
    bars = np.arange(ridge.size)
    slope = float(np.polyfit(bars, ridge, 1)[0])

    print(f"slant {slope:.3f} ms a bar, 1.000 by arithmetic")
    assert slope == pytest.approx(1.0, abs=0.1)  # ms a bar: the frames are 1.45 ms
    assert NEAR_MS > ridge.max() > 15.0


def test_contents_and_loudness_of_bars_are_drawn_where_they_are_known(steady):
    file, facts = steady
    levels = tuple(float(x) for x in np.linspace(-20, -8, BARS))
    kick = (1.0,) * BARS
    figure, _ = figure_of(
        file, dataclasses.replace(facts, bars=BarContent(level_lufs=levels, kick=kick, bass=kick))
    )

    (loudness,) = artists(figure, "loudness")
    assert list(loudness.get_data().values) == list(levels)
    assert list(loudness.get_data().edges) == [BAR_1_S + 2.0 * i for i in range(BARS + 1)]
    (contents,) = artists(figure, "contents")
    assert contents.get_array().shape == (2, BARS)
    assert {"kick", "bass"} <= set(words_of(figure)) and "vocals" not in words_of(figure)


def test_without_a_grid_there_are_seconds_and_what_was_tried(steady):
    file, _ = steady
    none = facts_for(Grid("none"), duration_s=DURATION_S, doubts=(Doubt("beats", "no steady beat found"),))
    figure, evidence = figure_of(file, none)

    assert not any(artists(figure, gid) for gid in ("bar", "beat", "section", "mark", "tempo", "low"))
    assert {"no steady beat found", "none found", "How strongly onsets repeat, by tempo"} <= set(
        words_of(figure)
    )
    tempi, strength = evidence.repeats
    near = np.abs(tempi / BPM - 1) < 0.1
    found = float(tempi[near][np.argmax(strength[near])])
    print(f"repeats most at {found:.1f} BPM, {strength[near].max():.2f}")
    assert found == pytest.approx(BPM, rel=0.01)
    assert strength[near].max() > 0.8


# --- words -----------------------------------------------------------------------------------------------


def test_words_tell_what_was_found_and_how_to_cure_doubts(steady):
    file, facts = steady
    told = dataclasses.replace(
        facts,
        doubts=(Doubt("tempo", "60 or 120 BPM?", "--half"), Doubt("bar 1", "bar 1 is doubtful")),
        warnings=("clipped",),
        corrections=("tempo doubled",),
        locked=True,
        enter_reason="the first kick",
        leave_reason="the drums stop",
    )
    figure, _ = figure_of(file, told)

    assert {
        "even.wav",
        "120.00 BPM, steady, sure (97 %)",
        "on the beat, sure (95 %)",
        "at 0.250 s, doubtful (60 %)",
        "A minor (50 %), else C major",
        "60 or 120 BPM? → mixrender grid FILE --half",
        "bar 1 is doubtful",
        "clipped",
        "tempo doubled, locked",
        "enter 1: the first kick",
        "leave 25: the drums stop",
        "drums 1 to 25",
    } <= set(words_of(figure))


HOSTILE = [
    "$\\frac{1}{$ _x_ ^ % & # {} ~ \\",
    "two\nlines\ttabs\r\x00 \x1b[31m",
    "emoji 🎛️👩‍👧 漢字 ไทย",
    "\u202eright to left\u202c שלום مرحبا",
    "lone \udc80\udcff surrogates",
    "very long " * 200,
    "   ",
]


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_names_and_tags_do_not_break_a_picture(steady, tmp_path, text):
    _, facts = steady
    short = tmp_path / "short.wav"
    soundfile.write(short, kicks_at([0.25, 0.75, 1.25, 1.75], duration_s=5.0), SOURCE_HZ)
    hostile = dataclasses.replace(
        facts,
        duration_s=5.0,
        last_sound_s=5.0,
        tags=FileTags(title=text, artist=text),
        doubts=(Doubt("tempo", text, text),),
        warnings=(text,),
        corrections=(text,),
        enter_reason=text,
        leave_reason=text,
    )
    for format in ("png", "svg"):
        write_track_picture(short, hostile, tmp_path / f"out.{format}", format=format)
    figure, _ = figure_of(short, hostile)

    assert all("\n" not in words for words in words_of(figure))
    assert not any(text.get_parse_math() for text in figure.findobj(Text))


def test_a_text_is_shown_in_one_line_without_what_the_font_lacks():
    assert shown("a\nb\tc") == "a b c"
    assert shown("\u202eabc\x1b") == "abc"
    assert shown("漢é") == "□é"
    assert shown("e\u0301") == "é"
    assert shown("x" * 500, most=90).count("x") == 89
    assert shown("beginning " + "x" * 500 + " end", most=60).startswith("beginning")
    assert shown("beginning " + "x" * 500 + " end", most=60).endswith("end")


CROWDED = {
    "doubts": tuple(Doubt("tempo", "a doubt that takes a line of its own", "--half") for _ in range(4)),
    "warnings": ("true peak of +2.1 dBTP; " * 8,),
    "corrections": ("tempo doubled", "bar 1 two beats later"),
    "enter_reason": "the first bar in which drums and bass play together",
    "leave_reason": "the drums stop, and only pads go on ringing",
    "tags": FileTags(title="A long title of a track " * 8, artist="Somebody"),
    "bars": BarContent(*[(0.5,) * BARS] * 5),
    "drums_from_bar": 2,
    "drums_until_bar": 23,
}


@pytest.mark.parametrize("kind", ["steady", "drifting", "crowded", "none", "many sections"])
def test_words_lie_within_the_page_and_not_over_each_other(steady, drifting, kind, monkeypatch):
    file, facts = drifting if kind == "drifting" else steady
    if kind == "crowded":
        facts = dataclasses.replace(facts, **CROWDED)
    if kind == "none":
        facts = facts_for(Grid("none"), duration_s=DURATION_S)
    if kind == "many sections":
        many = tuple(Section(bar, STEADY.time_at(4 * (bar - 1))) for bar in range(1, BARS + 1))
        facts = dataclasses.replace(facts, sections=many)
    boxes = drawn_words(monkeypatch, lambda: figure_of(file, facts)[0])

    assert len(boxes) > 40
    assert off_the_page(boxes, width_px=WIDTH_PX, height_px=HEIGHT_PX) == []
    assert over_each_other(boxes) == []


def test_inks_can_be_told_from_white_without_colour():
    """Contrast by W3C, WCAG 2.2, success criterion 1.4.3: at least 4.5 for text of this size."""

    def luminance(colour):
        parts = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
        return sum(w * part for w, part in zip((0.2126, 0.7152, 0.0722), parts, strict=True))

    for ink in (picture_style.INK, picture_style.GRID, picture_style.MID):
        contrast = 1.05 / (luminance(ink) + 0.05)
        print(f"{ink}: {contrast:.1f}")
        assert contrast >= 4.5


# --- long and short --------------------------------------------------------------------------------------


@pytest.mark.parametrize("hours", [0.1, 0.5, 2, 12])
def test_of_long_tracks_only_so_much_is_kept_from_all_over(hours):
    duration_s = hours * 3600
    facts = facts_for(STEADY, duration_s=duration_s)
    layout = layout_of(facts)
    kept_s = sum(stop - start for start, stop in layout.spans) / RATE_HZ

    print(f"{hours} h: {len(layout.numbers)} rows, {kept_s:.0f} s, one group in {layout.one_in}")
    assert len(layout.numbers) <= MOST_ROWS + 4
    assert kept_s <= MOST_S * 1.1 + 10.0
    assert layout.numbers[-1] >= 0.98 * duration_s / 2.0
    assert (layout.one_in == 1) == (hours == 0.1)


def test_rows_of_a_thinned_track_show_its_beats_too(tmp_path, monkeypatch):
    monkeypatch.setattr("mixrender.analysis.evidence_rows.MOST_ROWS", 10)
    file = tmp_path / "even.wav"
    beats_s = BAR_1_S + 0.5 * np.arange(4 * BARS)
    soundfile.write(file, kicks_at(beats_s, duration_s=DURATION_S), SOURCE_HZ)
    evidence = gather(file, facts_for(STEADY, duration_s=DURATION_S))

    assert evidence.layout.one_in == 3
    assert evidence.layout.numbers == (0, 1, 2, 3, 12, 13, 14, 15, 24, 25)
    assert np.abs(columns_of_kicks(evidence)[:-1]).max() <= 1
    assert np.abs(ridge_ms(evidence)[1:-1]).max() <= 3.0  # ms


@pytest.mark.parametrize("seconds", [0.05, 1.0, 5.0])
@pytest.mark.parametrize("loud", [True, False])
def test_a_very_short_or_silent_track_has_a_picture(tmp_path, seconds, loud):
    file = tmp_path / "short.wav"
    sound = kicks_at([0.0, 0.5], duration_s=seconds) if loud else np.zeros((round(seconds * SOURCE_HZ), 2))
    soundfile.write(file, sound, SOURCE_HZ)
    for grid in (Grid("none"), Grid("steady", BPM, 0.0)):
        write_track_picture(file, facts_for(grid, duration_s=seconds), tmp_path / f"{grid.kind}.png")

    assert (tmp_path / "none.png").stat().st_size > 10_000
    assert (tmp_path / "steady.png").stat().st_size > 10_000

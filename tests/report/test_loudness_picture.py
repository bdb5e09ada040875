"""The page about a mix: what is drawn lies where the figures say, and can be read however long the mix is."""

from __future__ import annotations

import re
import struct
import time
import warnings
from dataclasses import replace

import numpy as np
import pytest
import resvg_py
from drawn_words import drawn_words, off_the_page, over_each_other
from matplotlib import style
from matplotlib.text import Text
from small_mixes import LIMITED, UNMATCHED, render_small, repeated, uneven_tracks

from mixrender.loudness.series import short_term_series
from mixrender.mixdown.result import TargetVerdict
from mixrender.report.loudness_picture import (
    WIDTH_PX,
    mix_figure,
    page_height_px,
    write_loudness_pictures,
)
from mixrender.report.picture_lanes import lanes_of, names_stand_upright
from mixrender.report.picture_levels import COLUMNS, in_columns, marked_peaks, mean_line, target_span
from mixrender.report.picture_page import fitted, remove_pictures, width_px
from mixrender.report.picture_style import STYLE

WIDE_PX = 1646.0


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    folder = tmp_path_factory.mktemp("mix")
    return render_small(LIMITED, uneven_tracks(folder), folder)


def figure_of(result, title="A night"):
    with style.context(["default", STYLE]):
        figure = mix_figure(result, title=title)
        figure.canvas.draw()
    return figure


def artists(figure, gid):
    return [artist for artist in figure.findobj() if artist.get_gid() == gid]


def words_of(figure):
    return [text.get_text() for text in figure.findobj(Text) if text.get_text()]


# --- the files -------------------------------------------------------------------------------------------


def test_both_pictures_are_written_and_are_the_same_each_time(result, tmp_path):
    written = [write_loudness_pictures(result, tmp_path / name, title="A night") for name in ("x", "y")]

    assert [path.name for path in written[0]] == ["loudness.png", "loudness.svg"]
    for first, second in zip(*written, strict=True):
        assert first.read_bytes() == second.read_bytes()
    png = written[0][0].read_bytes()
    assert struct.unpack(">II", png[16:24]) == (WIDTH_PX, page_height_px(result))
    assert b"<svg" in written[0][1].read_bytes()[:600]


def test_the_svg_has_its_size_in_pixels_and_is_drawn_by_another_program(result, tmp_path):
    svg = write_loudness_pictures(result, tmp_path, title="A night", formats=("svg",))[0].read_text("utf-8")
    height_px = page_height_px(result)
    (head,) = re.findall(r"<svg [^>]*>", svg)
    png = bytes(resvg_py.svg_to_bytes(svg_string=svg, width=450))

    assert f'width="{WIDTH_PX}" height="{height_px}"' in head and 'viewBox="0 0 1080 ' in head
    assert struct.unpack(">II", png[16:24]) == pytest.approx((450, height_px / 4), abs=1)


def test_a_preview_has_no_picture(result, tmp_path):
    with pytest.raises(ValueError, match="a preview has no loudness over time"):
        write_loudness_pictures(replace(result, sound=None), tmp_path, title="A night")
    assert list(tmp_path.iterdir()) == []


# --- what is drawn ---------------------------------------------------------------------------------------


def test_curves_lines_and_tracks_stand_where_the_figures_say(result):
    figure = figure_of(result)
    (short_term,) = artists(figure, "short-term")
    (integrated,) = artists(figure, "integrated")

    times_s, lufs = short_term_series(result.sound.power)
    assert np.array_equal(short_term.get_xdata(), times_s)
    assert np.array_equal(short_term.get_ydata(), lufs, equal_nan=True)
    assert set(integrated.get_ydata()) == {result.loudness.integrated_lufs}
    bars = [(bar.get_x(), bar.get_x() + bar.get_width()) for bar in artists(figure, "track")]
    assert np.allclose(bars, [(t.start_s, t.end_s) for t in result.timeline.tracks])
    shades = {(s.get_x(), s.get_x() + s.get_width()) for s in artists(figure, "transition")}
    assert np.allclose(sorted(shades), [(t.start_s, t.end_s) for t in result.timeline.transitions])


def test_gain_reduction_hangs_from_the_top(result):
    (reduction,) = artists(figure_of(result), "reduction")
    axes = reduction.axes
    depths = reduction.get_paths()[0].vertices[:, 1]

    assert axes.get_ylim()[1] == 0.0 < axes.get_ylim()[0]
    assert depths.max() == pytest.approx(result.master.max_gain_reduction_db, abs=1e-5)


def test_where_the_limiter_did_nothing_it_is_said(result):
    silent = replace(result.master, gain_reduction_db=np.zeros(0, np.float32), max_gain_reduction_db=0.0)

    assert "the limiter took nothing away" in words_of(figure_of(replace(result, master=silent)))


def test_the_target_is_a_hatched_band_with_its_name(result):
    (band,) = artists(figure_of(result), "target")

    assert band.get_hatch() and (band.get_y(), band.get_y() + band.get_height()) == pytest.approx(
        (-11.1, -10.9)
    )
    assert "target, -11 LUFS" in words_of(figure_of(result))
    assert artists(figure_of(replace(result, target=None)), "target") == []


def test_a_published_target_has_its_own_tolerance():
    told = target_span(TargetVerdict(-23.0, -1.0, True, name="EBU R 128"))

    assert told == ("target EBU R 128, -23.2 to -22.8 LUFS", -23.2, -22.8)
    assert target_span(TargetVerdict(None, -1.0, True)) is None


def test_the_five_highest_peaks_are_marked_with_level_time_and_channel(result):
    marks = marked_peaks(result.sound, ceiling_dbtp=-1.0, wide_px=WIDE_PX)
    loudness = result.loudness

    assert 1 <= len(marks) <= 5
    time_s, level_dbtp, words = marks[0]
    assert level_dbtp == loudness.true_peak_dbtp and time_s == loudness.true_peak_s
    assert words.startswith("-1.0 at ") and words.endswith(("left", "right"))


def test_every_peak_over_the_ceiling_is_marked_where_there_is_room(result):
    starts = tuple(range(0, 60 * 44100, 15 * 44100))
    peaks = tuple(result.sound.peaks[0]._replace(level=1.1, frame=start) for start in starts)
    long = replace(
        result.sound, starts=starts, peaks=peaks, loudness=replace(result.loudness, duration_s=60.0)
    )
    marks = marked_peaks(long, ceiling_dbtp=-1.0, wide_px=WIDE_PX)

    assert [time_s for time_s, _, _ in marks] == [0.0, 15.0, 30.0, 45.0]
    assert marks[0][2].startswith("+0.8 at 0:00.0")


def test_long_series_are_drawn_in_columns_that_keep_the_extremes():
    times_s = np.arange(100_000) / 10.0
    values = np.sin(times_s)
    values[5000], values[7] = 40.0, np.nan
    middles_s, lowest, highest = in_columns(times_s, values)

    assert len(middles_s) <= COLUMNS and highest.max() == 40.0
    assert not np.isnan(lowest).any() and np.all(lowest <= highest)
    _, means = mean_line(times_s, np.where(times_s < 100.0, np.nan, 3.0))
    assert np.isnan(means[0]) and means[-1] == 3.0
    assert in_columns(np.zeros(0), np.zeros(0))[0].size == mean_line(np.zeros(0), np.zeros(0))[0].size == 0


def test_tracks_that_overlap_stand_in_different_lanes(result):
    timeline = repeated(result, 3).timeline
    lanes = lanes_of(timeline)

    assert lanes == [0, 1] * 4 + [0]
    crowded = replace(timeline, tracks=tuple(replace(t, end_s=timeline.duration_s) for t in timeline.tracks))
    assert lanes_of(crowded) == list(range(9))


# --- words -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["short", "long names", "many", "very many", "no target", "not limited"])
def test_words_lie_within_the_page_and_not_over_each_other(result, kind, monkeypatch, tmp_path):
    told = {
        "short": result,
        "long names": repeated(result, 2, names=["name-of-a-track-" * 12] * 6),
        "many": repeated(result, 15),
        "very many": repeated(result, 120),
        "no target": replace(result, target=None),
        "not limited": replace(
            result, master=replace(result.master, gain_reduction_db=np.zeros(0, np.float32))
        ),
    }[kind]
    boxes = drawn_words(monkeypatch, lambda: figure_of(told, title="A night " * 40))

    assert len(boxes) > 25
    assert off_the_page(boxes, width_px=WIDTH_PX, height_px=page_height_px(told)) == []
    assert over_each_other(boxes) == []


def test_names_stand_below_their_bars_where_these_are_too_narrow(result):
    assert not names_stand_upright(result.timeline, wide_px=WIDE_PX)
    assert names_stand_upright(repeated(result, 40).timeline, wide_px=WIDE_PX)


HOSTILE = [
    "$\\frac{1}{$ _x_ ^ %",
    "two\nlines\r\x00 \x1b[31m",
    "emoji 🎛️ 漢字",
    "\u202eright\u202c שלום",
    "lone \udc80",
    "   ",
]


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_titles_do_not_break_a_picture(result, tmp_path, text):
    named = repeated(result, 1, names=[text] * 3)
    write_loudness_pictures(named, tmp_path, title=text)
    figure = figure_of(named, title=text)

    assert all("\n" not in words for words in words_of(figure))
    assert not any(words.get_parse_math() for words in figure.findobj(Text))


def test_a_text_is_shortened_to_its_room():
    long = fitted("a name that is much too long for its bar", 100.0)

    assert "…" in long and 60.0 < width_px(long) <= 100.0
    assert fitted("name", 1000.0) == "name"
    assert fitted("name of a track", 10.0) == ""


# --- odd mixes -------------------------------------------------------------------------------------------


def test_a_silent_or_very_short_mix_has_a_picture(tmp_path):
    tracks = uneven_tracks(tmp_path, (0.0, 0.0, 0.0))
    silent = render_small(UNMATCHED, tracks, tmp_path)
    assert silent.loudness.integrated_lufs is None
    short = replace(silent.sound, power=replace(silent.sound.power, energies=np.zeros(10)))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for told in (silent, replace(silent, sound=short)):
            write_loudness_pictures(told, tmp_path / "pictures", title="Nothing")

    assert any("loudness not measurable" in words for words in words_of(figure_of(silent)))


def test_a_mix_of_three_hours_is_drawn_fast_and_small(result, tmp_path):
    long = repeated(result, round(3 * 3600 / result.timeline.duration_s))
    start_s = time.process_time()
    png, svg = write_loudness_pictures(long, tmp_path, title="Three hours")
    seconds = time.process_time() - start_s

    sizes = [path.stat().st_size / 1e6 for path in (png, svg)]
    print(
        f"{len(long.timeline.tracks)} tracks: {seconds:.1f} s < 20, "
        f"PNG {sizes[0]:.2f}, SVG {sizes[1]:.2f} MB < 6"
    )
    # Seconds of one busy core, and MB: common practice, no source
    assert seconds < 20.0 and max(sizes) < 6.0


# --- mixes that are far from the usual --------------------------------------------------------------------


def panel(figure, title):
    (axes,) = [axes for axes in figure.axes if axes.get_title(loc="left").startswith(title)]
    return axes


def turned_down(result, *, by_db):
    """The same mix as if it had been turned down, without its limiter."""
    sound, gain = result.sound, 10.0 ** (-by_db / 20.0)
    lower = {name: getattr(sound.loudness, name) - by_db for name in ("integrated_lufs", "true_peak_dbtp")}
    quiet = replace(
        sound,
        loudness=replace(sound.loudness, **lower),
        power=replace(sound.power, energies=sound.power.energies * gain**2),
        peaks=tuple(peak._replace(level=peak.level * gain) for peak in sound.peaks),
    )
    return replace(result, sound=quiet, loudness=quiet.loudness, levelling=None, target=None)


@pytest.mark.parametrize("by_db", [0.0, 15.0, 40.0])
def test_peaks_and_their_marks_lie_within_their_panel_however_quiet_a_mix_is(result, by_db):
    figure = figure_of(turned_down(result, by_db=by_db))
    axes = panel(figure, "True peaks")
    low, high = axes.get_ylim()

    heights = [mark.get_ydata()[0] for mark in artists(figure, "mark")]
    (peaks,) = artists(figure, "peaks")
    assert heights and all(low <= height <= high for height in heights)
    assert max(peaks.get_data().values) > low + 3.0  # dB: the loudest part is seen as a bar
    assert all(low <= tick <= high for tick in axes.get_yticks())


@pytest.mark.parametrize("target_lufs", [-45.0, -20.0, -3.0])
def test_a_target_is_seen_however_far_off_it_is(result, target_lufs):
    figure = figure_of(replace(result, target=TargetVerdict(target_lufs, -1.0, False)))
    low, high = panel(figure, "Loudness").get_ylim()

    assert low < target_lufs - 0.1 and target_lufs + 0.1 < high


def test_a_part_that_is_far_quieter_is_seen_where_it_is_long(result):
    energies = result.sound.power.energies.copy()
    energies[len(energies) // 2 :] *= 1e-4  # 40 dB
    half = replace(result, sound=replace(result.sound, power=replace(result.sound.power, energies=energies)))
    low, _ = panel(figure_of(half), "Loudness").get_ylim()
    times_s, lufs = short_term_series(half.sound.power)

    later = lufs[times_s > half.timeline.duration_s / 2 + 3.0]
    print(f"quiet half around {np.median(later):.1f} LUFS, the axis begins at {low:.1f}")
    assert low < np.median(later)


def test_silence_is_said_to_be_silence(result):
    silent = turned_down(result, by_db=200.0)

    assert "no sound above -70 LUFS" in words_of(figure_of(silent))


def test_the_mean_reduction_is_drawn_before_the_most(result):
    figure = figure_of(result)
    (most,), (mean,) = artists(figure, "reduction"), artists(figure, "mean reduction")
    deepest, mean_deepest = (one.get_paths()[0].vertices[:, 1].max() for one in (most, mean))

    assert 0.0 < mean_deepest < deepest == pytest.approx(result.master.max_gain_reduction_db, abs=0.01)


def test_advice_has_as_many_lines_as_there_is_room_for_and_else_the_report_is_named(result):
    few = replace(repeated(result, 1, names=["harbour", "lantern", "tide"]), levelling=result.levelling)
    named = [f"{word} and a name that takes a line of its own " * 3 for word in ("one", "two", "three")]
    many = replace(repeated(result, 1, names=named), levelling=result.levelling)

    advised = " ".join(words_of(figure_of(few)))
    assert "To even it out" in advised and "`regions` what meets in the overlaps." in advised
    told = words_of(figure_of(many))
    assert "What would even it out stands in report.json." in told
    assert not any("To even it out" in words for words in told)


def test_the_picture_says_whether_the_target_is_met(result):
    met = replace(result, target=replace(result.target, passed=True))
    missed = replace(result, target=replace(result.target, passed=False, reason="it is 2.0 LU too quiet"))

    assert any(
        w.startswith("Target: -11 LUFS, at most -1 dBTP: met, with ") for w in words_of(figure_of(met))
    )
    told = words_of(figure_of(missed))
    assert "Target: -11 LUFS, at most -1 dBTP: missed: it is 2.0 LU too quiet." in told
    assert not any(
        words.startswith("Target: ") for words in words_of(figure_of(replace(result, target=None)))
    )


def test_a_picture_is_known_as_ours_and_removed_and_others_are_left(result, tmp_path):
    drawn = write_loudness_pictures(result, tmp_path, title="A night")
    other = tmp_path / "cover.png"
    other.write_bytes(b"a picture of somebody else")

    remove_pictures([*drawn, other, tmp_path / "gone.png"])

    assert list(tmp_path.iterdir()) == [other]

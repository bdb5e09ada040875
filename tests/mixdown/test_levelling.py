"""How far tracks lie apart in a mix, what would even it out, and that it does."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pyebur128
import pyloudnorm
import pytest
import soundfile
from markers import RATE_HZ, MarkerTrack, Sound, make_track, music, rendered
from scipy import signal
from small_mixes import BAR_1_S, LIMITED, UNMATCHED, render_small, uneven_tracks

from mixrender.audio.cache import Cache
from mixrender.facts import Grid
from mixrender.mixdown.levelling import levelling
from mixrender.mixdown.result import MixResult, SpanFigures
from mixrender.mixdown.span_loudness import alone_span_s
from mixrender.report.document import levelling_advice, suggested_gains_db

# --- the suggestion, as figures --------------------------------------------------------------------------


def test_each_track_is_brought_to_the_median_in_steps_of_a_tenth() -> None:
    found = levelling([-14.0, -12.0, -15.26])

    assert found is not None
    assert found.changes_db == (0.0, -2.0, 1.3)
    assert found.spread_lu == pytest.approx(3.26)
    assert (found.loudest, found.quietest) == (1, 2)


def test_of_an_even_number_the_middle_of_the_two_middle_ones_counts() -> None:
    found = levelling([-10.0, -14.0, -12.0, -13.0])

    assert found is not None and found.changes_db == (-2.5, 1.5, -0.5, 0.5)


def test_tracks_less_than_1_lu_apart_are_left_alone() -> None:
    found = levelling([-14.0, -13.01])

    assert found is not None and found.is_even and found.changes_db == (0.0, 0.0)
    apart = levelling([-14.0, -12.99])
    assert apart is not None and not apart.is_even


def test_a_track_that_was_not_measured_is_left_out() -> None:
    found = levelling([None, -14.0, None, -11.0])

    assert found is not None and found.changes_db == (0.0, 1.5, 0.0, -1.5)
    assert (found.loudest, found.quietest) == (3, 1)


def test_gains_act_before_the_master_so_that_levels_there_decide_them() -> None:
    found = levelling([-11.0, -13.0, -12.0], [-17.0, -22.0, -19.0])

    assert found is not None and found.spread_lu == 2.0
    assert found.changes_db == (-2.0, 3.0, 0.0)


@pytest.mark.parametrize("alone_lufs", [[], [-14.0], [None, -14.0], [None, None]])
def test_fewer_than_two_tracks_cannot_be_compared(alone_lufs: list[float | None]) -> None:
    assert levelling(alone_lufs) is None


# --- in a rendered mix -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def tracks(tmp_path_factory: pytest.TempPathFactory) -> list[MarkerTrack]:
    return uneven_tracks(tmp_path_factory.mktemp("tracks"))


@pytest.fixture(scope="module")
def limited(tracks: list[MarkerTrack], tmp_path_factory: pytest.TempPathFactory) -> MixResult:
    """The three tracks, 6 LU apart, with a limiter that acts."""
    return render_small(LIMITED, tracks, tmp_path_factory.mktemp("limited"))


@pytest.fixture(scope="module")
def sound(limited: MixResult) -> Sound:
    return soundfile.read(limited.files[0], always_2d=True)[0]


def apart_lu(result: MixResult) -> float:
    """How far tracks lie apart where they are alone, by pyloudnorm, from the delivered file."""
    sound, _ = soundfile.read(result.files[0], always_2d=True)
    alone = [track.alone for track in result.tracks]
    heard = [outside_lufs(sound, span) for span in alone if span is not None]
    assert len(heard) == len(alone)
    return max(heard) - min(heard)


def outside_lufs(sound: Sound, span: SpanFigures) -> float:
    part = sound[round(span.start_s * RATE_HZ) : round(span.end_s * RATE_HZ)]
    return float(pyloudnorm.Meter(RATE_HZ).integrated_loudness(part))


def with_gains(text: str, gains_db: list[float | None]) -> str:
    named = zip("abc", gains_db, strict=True)
    return text + "".join(f"# {name}: gain: {gain_db} dB\n" for name, gain_db in named if gain_db)


@pytest.mark.parametrize(
    ("text", "name"),
    [(UNMATCHED, "unlimited"), pytest.param(LIMITED, "limited", marks=pytest.mark.accuracy)],
)
def test_the_suggested_gains_bring_the_tracks_together(
    text: str, name: str, tracks: list[MarkerTrack], tmp_path: Path
) -> None:
    before = render_small(with_gains(text, [None, -1.0, None]), tracks, tmp_path / "before")
    assert before.levelling is not None
    gains_db = suggested_gains_db(before)
    after = render_small(with_gains(text, gains_db), tracks, tmp_path / "after")

    assert after.levelling is not None
    print(
        f"{name}: {before.levelling.spread_lu:.2f} LU apart ({apart_lu(before):.2f} by pyloudnorm), with "
        f"{gains_db} dB {after.levelling.spread_lu:.2f} ({apart_lu(after):.2f}), below 0.5"
    )
    assert before.levelling.spread_lu > 2.0
    assert after.levelling.spread_lu < 0.5 and apart_lu(after) < 0.5
    assert levelling_advice(after) == ""


def test_a_suggestion_is_the_gain_to_write_and_tells_the_one_that_is_there(
    tracks: list[MarkerTrack], tmp_path: Path
) -> None:
    text = with_gains(UNMATCHED, [None, -1.0, None])
    result = render_small(text, tracks, tmp_path)
    assert result.levelling is not None
    (_, change_db, _), (a_db, b_db, c_db) = result.levelling.changes_db, suggested_gains_db(result)

    assert b_db == pytest.approx(change_db - 1.0) and a_db is not None
    # c is the median itself: it stays as it is.
    assert c_db is None
    assert levelling_advice(result) == (
        f"To even it out: a {a_db:+.1f} dB, b {b_db:+.1f} dB (now -1) (as `gain:` of the track); "
        "`match_loudness: true` matches loud parts of tracks, `regions` what meets in the overlaps."
    )


@pytest.mark.accuracy
def test_regions_make_equally_loud_what_meets_as_it_is_played(tmp_path: Path, cache: Cache) -> None:
    """On the tracks' strips, stretched and with their gains, before any move."""
    tracks = []
    for i, (bpm, gain) in enumerate([(122.0, 0.5), (126.0, 0.2), (124.0, 0.35)]):
        made = music(BAR_1_S + 12 * 240.0 / bpm, bpm, BAR_1_S, RATE_HZ, i) * gain
        tracks.append(make_track(tmp_path / f"{i}.wav", made, Grid("steady", bpm, BAR_1_S)))
    text = """
    match_loudness: regions
    transitions:
      - {from: a, to: b, leave: 7, enter: 2, overlap: 4 bars}
      - {from: b, to: c, leave: 8, enter: 2, overlap: 2 bars}
    """
    found = rendered(text, tracks, cache)
    for joint in found.timeline.transitions:
        start, stop = round(joint.start_s * RATE_HZ), round(joint.end_s * RATE_HZ)
        lufs = []
        for index in (joint.outgoing, joint.incoming):
            gain = 10.0 ** (found.prepared.gains_db[index] / 20.0)
            heard = found.mix.strips[index].source(start, stop) * gain
            lufs.append(float(pyloudnorm.Meter(RATE_HZ).integrated_loudness(heard)))
        print(f"what meets: {lufs[0]:.2f} and {lufs[1]:.2f} LUFS (pyloudnorm), within 0.1")
        # LU: the tolerance of EBU Tech 3341, table 1
        assert abs(lufs[0] - lufs[1]) <= 0.1


# --- what is measured of a part of the mix ---------------------------------------------------------------


def spans_of(result: MixResult) -> list[tuple[str, SpanFigures]]:
    names = [track.name for track in result.timeline.tracks]
    spans = [(name, track.in_mix) for name, track in zip(names, result.tracks, strict=True)]
    spans += [
        (f"{name} alone", track.alone)
        for name, track in zip(names, result.tracks, strict=True)
        if track.alone
    ]
    spans += [
        (f"overlap {i}", one.overlap) for i, one in enumerate(result.transitions) if one and one.overlap
    ]
    assert len(spans) == 8
    return spans


def test_the_loudness_of_tracks_and_overlaps_is_that_of_their_part_of_the_file(
    limited: MixResult, sound: Sound
) -> None:
    for name, span in spans_of(limited):
        lufs, found = outside_lufs(sound, span), span.loudness.integrated_lufs
        assert found is not None
        print(f"{name}: {found:.3f}, pyloudnorm {lufs:.3f} LUFS, within 0.1")
        # LU: the tolerance of EBU Tech 3341, table 1
        assert abs(found - lufs) <= 0.1


def test_the_loudest_moments_of_a_part_are_as_loud_as_told_at_the_time_told(
    limited: MixResult, sound: Sound
) -> None:
    for name, span in spans_of(limited):
        for seconds, mode, read in (
            (0.4, pyebur128.MeasurementMode.MODE_M, pyebur128.get_loudness_momentary),
            (3.0, pyebur128.MeasurementMode.MODE_S, pyebur128.get_loudness_shortterm),
        ):
            loudness = span.loudness
            told = (
                (loudness.max_momentary_lufs, loudness.max_momentary_s)
                if seconds < 1.0
                else (loudness.max_short_term_lufs, loudness.max_short_term_s)
            )
            if told[0] is None or told[1] is None:
                assert span.end_s - span.start_s < seconds
                continue
            assert (
                span.start_s - 0.005 <= told[1] - seconds / 2 and told[1] + seconds / 2 <= span.end_s + 0.005
            )
            state = pyebur128.R128State(2, RATE_HZ, mode)
            until = round((told[1] + seconds / 2) * RATE_HZ)
            state.add_frames(np.ascontiguousarray(sound[:until]).reshape(-1), until)
            print(
                f"{name}, {seconds} s at {told[1]:.3f}: {told[0]:.3f}, "
                f"libebur128 {read(state):.3f} LUFS, within 0.1"
            )
            assert abs(told[0] - read(state)) <= 0.1  # LU: the tolerance of EBU Tech 3341, table 1


def test_the_true_peak_of_a_part_has_its_level_time_and_channel(limited: MixResult, sound: Sound) -> None:
    taps = signal.firwin(8 * 255 + 1, 1.0 / 8, window=("kaiser", 12.0))
    fine = np.abs(signal.resample_poly(sound, 8, 1, axis=0, window=taps))
    for name, span in spans_of(limited):
        first = round(span.start_s * RATE_HZ) * 8
        part = fine[first : round(span.end_s * RATE_HZ) * 8]
        peak_dbtp = 20.0 * np.log10(part.max())
        loudness = span.loudness
        assert loudness.true_peak_dbtp is not None and loudness.true_peak_s is not None
        there = round(loudness.true_peak_s * RATE_HZ) * 8
        near = fine[there : there + 9, loudness.true_peak_channel].max()
        print(
            f"{name}: {loudness.true_peak_dbtp:.3f} dBTP, scipy {peak_dbtp:.3f} within 0.05, "
            f"at the time and channel told {20.0 * np.log10(near):.3f}"
        )
        assert abs(loudness.true_peak_dbtp - peak_dbtp) <= 0.05  # dB: two interpolators
        assert 20.0 * np.log10(near) >= peak_dbtp - 0.05
        assert span.start_s <= loudness.true_peak_s <= span.end_s


def test_the_gain_reduction_of_parts_adds_up_to_that_of_the_mix(limited: MixResult, sound: Sound) -> None:
    master, tracks = limited.master, limited.tracks
    assert master.max_gain_reduction_db > 0.5
    assert max(track.in_mix.max_gain_reduction_db for track in tracks) == pytest.approx(
        master.max_gain_reduction_db
    )
    means_db = master.mean_gain_reductions_db.astype(float)
    lengths = np.diff(np.minimum(np.arange(len(means_db) + 1) * RATE_HZ // 10, len(sound)))
    whole_db = float((means_db * lengths).sum() / len(sound))
    print(f"mean reduction {whole_db:.6f} dB from the tenths, {master.mean_gain_reduction_db:.6f} from all")
    assert whole_db == pytest.approx(master.mean_gain_reduction_db, rel=1e-4)  # float32
    for _, span in spans_of(limited):
        assert 0.0 <= span.mean_gain_reduction_db <= span.max_gain_reduction_db


def test_a_track_is_alone_where_no_other_sounds(limited: MixResult) -> None:
    timeline = limited.timeline
    first, second = timeline.transitions

    assert alone_span_s(timeline, 0) == (timeline.tracks[0].start_s, timeline.tracks[1].start_s)
    assert alone_span_s(timeline, 1) == (timeline.tracks[0].end_s, timeline.tracks[2].start_s)
    assert alone_span_s(timeline, 2) == (timeline.tracks[1].end_s, timeline.tracks[2].end_s)
    assert (
        abs(timeline.tracks[0].end_s - first.end_s) < 0.02
        and abs(timeline.tracks[1].end_s - second.end_s) < 0.02
    )


def test_a_track_that_is_hardly_ever_alone_does_not_count(limited: MixResult) -> None:
    timeline = limited.timeline
    a, b, c = timeline.tracks
    crowded = replace(
        timeline, tracks=(a, replace(b, end_s=a.end_s + 2.0), replace(c, start_s=a.end_s + 2.0))
    )

    assert alone_span_s(crowded, 1) is None
    assert alone_span_s(replace(timeline, tracks=(a, replace(b, start_s=a.start_s), c)), 0) is None

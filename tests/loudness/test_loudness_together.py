"""Several sounds as one programme, beside the meter's reading of the sounds one after another."""

from __future__ import annotations

import numpy as np
import pytest
from loudness_cases import music_like, tone

from mixrender.facts import Loudness
from mixrender.loudness.meter import Meter, measure
from mixrender.loudness.together import Part, measure_together
from mixrender.units import FloatArray

RATE_HZ = 48_000


def part(sound: FloatArray, *, rate_hz: int = RATE_HZ) -> Part:
    meter = Meter(sample_rate_hz=rate_hz, channels=sound.shape[1])
    meter.push(sound)
    return Part(meter.result(), meter.power())


def programme() -> list[FloatArray]:
    """Music at three levels, the last so quiet that the common gate leaves it out, and silence."""
    sounds = [music_like(seconds=s, rate_hz=RATE_HZ, seed=i) for i, s in enumerate((31.3, 17.77, 20.0))]
    return [sounds[0] * 0.5, np.zeros((RATE_HZ * 5, 2)), sounds[1] * 0.2, sounds[2] * 0.01]


def test_together_sounds_read_as_the_meter_reads_them_one_after_another():
    """Off by the blocks that lie across the borders alone, 3 of some 300: 0.05 LU."""
    sounds = programme()
    joined = measure(np.concatenate(sounds), sample_rate_hz=RATE_HZ)

    whole = measure_together([part(sound) for sound in sounds])

    assert whole.integrated_lufs is not None and joined.integrated_lufs is not None
    off = abs(whole.integrated_lufs - joined.integrated_lufs)
    print(f"integrated {off:.4f} LU off")
    assert off < 0.05
    assert whole.duration_s == pytest.approx(joined.duration_s, abs=1e-9)


def test_together_the_range_is_that_of_music_without_pauses_between():
    """0.1 LU: 30 of some 700 windows of 3 s lie across each border, and their levels between its sides."""
    louder, _, quieter, _ = programme()
    sounds = [louder, 2 * quieter, quieter]
    joined = measure(np.concatenate(sounds), sample_rate_hz=RATE_HZ)

    whole = measure_together([part(sound) for sound in sounds])

    assert whole.loudness_range_lu is not None and joined.loudness_range_lu is not None
    off = abs(whole.loudness_range_lu - joined.loudness_range_lu)
    print(f"range {off:.4f} LU off of {joined.loudness_range_lu:.2f} LU")
    assert off < 0.1


def test_together_the_greatest_moments_are_those_of_the_whole_at_their_times():
    """Within 0.01 dB and 5 ms, a step of the meter, as steps begin anew in each sound."""
    sounds = programme()[::-1]
    joined = measure(np.concatenate(sounds), sample_rate_hz=RATE_HZ)

    whole = measure_together([part(sound) for sound in sounds])

    for level in ("max_momentary_lufs", "max_short_term_lufs", "true_peak_dbtp", "sample_peak_dbfs"):
        off = abs(getattr(whole, level) - getattr(joined, level))
        print(f"{level}: {off:.5f} off")
        assert off < 0.01
    for time in ("max_momentary_s", "max_short_term_s", "true_peak_s"):
        assert abs(getattr(whole, time) - getattr(joined, time)) <= 0.0051


def test_the_common_gate_leaves_out_what_a_file_alone_would_count():
    """-20 dBFS and, 20 LU below, -40 dBFS: the quiet half lies under the gate, -10 LU; 0.01 LU."""
    loud, quiet = (tone([(10.0, level)], rate_hz=RATE_HZ) for level in (-20.0, -40.0))

    whole = measure_together([part(loud), part(quiet)])

    assert part(quiet).loudness.integrated_lufs == pytest.approx(-40.0, abs=0.02)
    assert whole.integrated_lufs == pytest.approx(part(loud).loudness.integrated_lufs, abs=0.01)


def test_one_sound_alone_reads_as_it_does_by_itself():
    alone = part(music_like(seconds=12.0, rate_hz=RATE_HZ))

    assert measure_together([alone]) == alone.loudness


def test_neither_the_order_nor_silence_nor_what_is_too_short_changes_the_loudness():
    sounds = programme()
    parts = [part(sound) for sound in sounds]
    click = part(np.full((1000, 2), 0.001))

    one, other = measure_together(parts), measure_together([click, *parts[::-1], parts[1]])

    assert one.integrated_lufs == pytest.approx(other.integrated_lufs, abs=1e-9)
    assert one.loudness_range_lu == pytest.approx(other.loudness_range_lu, abs=1e-9)


def test_files_of_other_rates_and_channels_count_by_their_time():
    """Two tones of equal length at -20 and -26 LUFS: 10 lg of the mean power, -22.04; 0.02 LU."""
    stereo = tone([(10.0, -20.0)], rate_hz=RATE_HZ)
    mono = tone([(10.0, -23.0)], rate_hz=96_000, weights=(1.0,))
    expected_lufs = 10 * np.log10((10**-2.0 + 10**-2.6) / 2)

    whole = measure_together([part(stereo), part(mono, rate_hz=96_000)])

    assert whole.integrated_lufs is not None
    print(f"{whole.integrated_lufs:.4f} LUFS, expected {expected_lufs:.4f}")
    assert abs(whole.integrated_lufs - expected_lufs) < 0.02


def test_silence_together_is_not_measurable():
    silence = part(np.zeros((RATE_HZ * 4, 2)))

    assert measure_together([silence, silence]) == Loudness(duration_s=8.0)


def test_nothing_cannot_be_measured_together():
    with pytest.raises(ValueError, match="nothing to measure"):
        measure_together([])

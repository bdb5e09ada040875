"""Published and made-up test signals go in; how far each of three loudness meters is off comes out.

    python tests/benchmarks/loudness_accuracy.py
    python tests/benchmarks/loudness_accuracy.py FOLDER

The signals are those of EBU Tech 3341 and 3342, tones along the K curve at rates from 8 to 192 kHz, and what
the references are known to fail at (`tests/loudness/reference_meters.py`). The expected values follow from
arithmetic on the steps of power and from the spectrum, so that no meter judges itself.
With a folder of music: how far apart our readings of it and those of libebur128 are, and its range from ours
once ours is read once a second without silence after the end, as it does. Exit status 1 if a bound is missed.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).parent.parent / "loudness"))

import loudness_cases as make
import reference_meters

from mixrender.loudness.meter import Meter, measure

ALL_RATES_HZ = (8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
MUSIC = (".flac", ".mp3", ".ogg", ".wav")
K_TONES_HZ = (25.0, 100.0, 500.0, 1_000.0, 2_000.0, 10_000.0)


class Case(NamedTuple):
    """A signal, the figure that is asked for, its value, and the bounds of the difference for our meter."""

    group: str
    sound: np.ndarray
    rate_hz: int
    field: str
    expected: float
    bounds: tuple[float, float]


def ours(x, case):
    return getattr(measure(x, sample_rate_hz=case.rate_hz), case.field)


def libebur128(x, case):
    poll_s = 0.01 if case.field.startswith("max_") else None
    return reference_meters.libebur128(x, sample_rate_hz=case.rate_hz, poll_s=poll_s)[case.field]


def pyloudnorm(x, case):
    if case.field not in ("integrated_lufs", "loudness_range_lu"):
        return None
    return reference_meters.pyloudnorm_meter(x, sample_rate_hz=case.rate_hz).get(case.field)


METERS: dict[str, Callable[[np.ndarray, Case], float | None]] = {
    "mixrender": ours,
    "libebur128": libebur128,
    "pyloudnorm": pyloudnorm,
}


def cases() -> Iterator[Case]:
    """All signals, in the order of their groups."""
    for rate_hz in (44_100, 48_000):
        yield from _integrated(rate_hz)
    for rate_hz in (44_100, 48_000):
        yield from _maxima(rate_hz)
    for rate_hz in (44_100, 48_000):
        yield from _true_peaks(rate_hz)
    for rate_hz in (44_100, 48_000):
        for levels, _ in make.RANGES.values():
            parts = [(20, level) for level in levels]
            yield _stepped("Tech 3342, 1-4: LRA", parts, rate_hz, "loudness_range_lu", (-0.1, 0.1))
    for rate_hz in ALL_RATES_HZ:
        yield from _k_tones(rate_hz)
    yield from _known_faults()


def _stepped(group, parts, rate_hz, field, bounds):
    """A case of a tone in steps; what it must read follows from its parts."""
    arithmetic = make.Arithmetic(parts)
    expected = {
        "integrated_lufs": arithmetic.integrated,
        "loudness_range_lu": arithmetic.range,
        "max_momentary_lufs": lambda: arithmetic.greatest(0.4),
        "max_short_term_lufs": lambda: arithmetic.greatest(3.0),
    }[field]()
    return Case(group, make.tone(parts, rate_hz=rate_hz), rate_hz, field, expected, bounds)


def _integrated(rate_hz):
    for parts in make.PROGRAMMES.values():
        yield _stepped("Tech 3341, 1-5: I", parts, rate_hz, "integrated_lufs", (-0.02, 0.02))
    centre, front, rear = make.SURROUND
    weights = (front, front, centre, 1.0, rear, rear)
    power = 2 * front**2 + centre**2 + 1.41 * 2 * rear**2
    expected = make.Arithmetic([(20, -23)], power=power).integrated()
    sound = make.tone([(20, -23)], rate_hz=rate_hz, weights=weights)
    group = "Tech 3341, 6: I of 5.1, loud LFE"
    yield Case(group, sound, rate_hz, "integrated_lufs", expected, (-0.02, 0.02))


def _maxima(rate_hz):
    short_term, momentary = "max_short_term_lufs", "max_momentary_lufs"
    patterns = {short_term: [(1.34, -20), (1.66, -30)] * 5, momentary: [(0.18, -20), (0.22, -30)] * 25}
    for field, step_s, burst_s, bounds in (
        (short_term, 0.15, 3.0, (-0.02, 0.02)),
        (momentary, 0.02, 0.4, (-0.06, 0.02)),
    ):
        group = "Tech 3341, 9-11: max S" if field == short_term else "Tech 3341, 12-14: max M"
        yield _stepped(group, patterns[field], rate_hz, field, (-0.03, 0.03))
        for i in range(20):
            for level, after_s in ((-23, 1.0), (-38 + i, burst_s - i * step_s)):
                parts = [(i * step_s, None), (burst_s, level), (after_s, None)]
                yield _stepped(group, parts, rate_hz, field, bounds)


def _true_peaks(rate_hz):
    for divisor, level, phase_degrees, _ in make.TONES.values():
        sound = make.true_peak_tone(
            rate_hz=rate_hz, divisor=divisor, level=level, phase_degrees=phase_degrees
        )
        yield _peak("Tech 3341, 15-23: TP", sound, rate_hz)
    for offset in range(4):
        sound = make.true_peak_burst(rate_hz=rate_hz, offset=offset)
        yield _peak("Tech 3341, 15-23: TP", sound, rate_hz)


def _peak(group, sound, rate_hz):
    exact_db = make.interpolated_peak_db(sound, times=64)
    return Case(group, sound, rate_hz, "true_peak_dbtp", exact_db, (-0.15, 0.05))


def _k_tones(rate_hz):
    bound = 0.02 if rate_hz in (44_100, 48_000) else 0.03
    for frequency_hz in (f for f in K_TONES_HZ if f < 0.45 * rate_hz):
        sound = make.tone([(3, -23)], rate_hz=rate_hz, frequency_hz=frequency_hz)
        expected = -23 - 0.691 + float(make.k_gain_db(frequency_hz))
        yield Case(
            f"K curve at {rate_hz} Hz: I", sound, rate_hz, "integrated_lufs", expected, (-bound, bound)
        )


def _known_faults():
    fifths = 0.5 * np.sin(0.8 * np.pi * np.arange(9_600))[:, None]
    yield _peak("tone at 0.4 of the rate: TP", make.faded(fifths, rate_hz=48_000), 48_000)
    ends = np.zeros((19_200, 1))
    ends[-2:] = 0.5
    yield _peak("crest at the end of a file: TP", ends, 48_000)
    for parts in ([(4, -20), (4, -30), (4, -23)], [(100, -18), (10.3, -30)]):
        yield _stepped("quiet or short ends: LRA", parts, 48_000, "loudness_range_lu", (-0.1, 0.1))


def print_accuracy() -> bool:
    """Print the worst difference of each group beside our bounds; whether ours meets them all."""
    worst: dict[str, dict[str, float | str | None]] = {}
    bounds: dict[str, tuple[float, float]] = {}
    is_met = True
    for case in cases():
        row = worst.setdefault(case.group, dict.fromkeys(METERS))
        bounds[case.group] = case.bounds
        found = {name: _difference(meter, case) for name, meter in METERS.items()}
        row.update({name: _worse(row[name], difference) for name, difference in found.items()})
        of_ours = found["mixrender"]
        is_met &= isinstance(of_ours, float) and case.bounds[0] <= of_ours <= case.bounds[1]
    print(f"{'worst difference (LU, dB)':34}{'bounds of ours':>16}" + "".join(f"{n:>12}" for n in METERS))
    for group, row in worst.items():
        low, high = bounds[group]
        print(f"{group:34}{f'{low:+g} {high:+g}':>16}" + "".join(f"{_told(row[n]):>12}" for n in METERS))
    print(f"bounds of ours: {'met' if is_met else 'MISSED'}")
    return is_met


def _difference(meter, case) -> float | str | None:
    try:
        reading = meter(case.sound, case)
    except ValueError:
        return "refused"
    return None if reading is None else float(reading - case.expected)


def _worse(one, other):
    if isinstance(one, str) or other is None:
        return one
    if isinstance(other, str) or one is None:
        return other
    return max(one, other, key=abs)


def _told(value) -> str:
    return value if isinstance(value, str) else "-" if value is None else f"{value:+.4f}"


def print_agreement(folder: Path) -> None:
    """Print, for each file of a folder of music, how far apart our readings and those of libebur128 are."""
    print(
        f"{'ours less libebur128':34}{'s':>7}{'I (LU)':>10}{'TP (dB)':>10}{'LRA (LU)':>10}{'on its grid':>13}"
    )
    for path in sorted(path for path in folder.rglob("*") if path.suffix in MUSIC):
        x, rate_hz = soundfile.read(path, always_2d=True)
        meter = Meter(sample_rate_hz=rate_hz, channels=x.shape[1])
        meter.push(x)
        got, power = meter.result(), meter.power()
        if got.loudness_range_lu is None:
            continue
        other = reference_meters.libebur128(x, sample_rate_hz=rate_hz)
        on_its_grid_lu = reference_meters.range_lu(power, readings_per_s=1, is_followed=False)
        print(
            f"{path.stem[:33]:34}{got.duration_s:>7.1f}"
            f"{got.integrated_lufs - other['integrated_lufs']:>+10.4f}"
            f"{got.true_peak_dbtp - other['true_peak_dbtp']:>+10.3f}"
            f"{got.loudness_range_lu - other['loudness_range_lu']:>+10.3f}"
            f"{on_its_grid_lu - other['loudness_range_lu']:>+13.4f}"
        )


if __name__ == "__main__":
    for folder in sys.argv[1:]:
        print_agreement(Path(folder))
    sys.exit(0 if sys.argv[1:] or print_accuracy() else 1)

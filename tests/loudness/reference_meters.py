"""A sound goes in; what two other programs read of it comes out, and our range on the grid of one of them.

libebur128 1.2.6 (through pyebur128) and pyloudnorm 0.2 are asked in tests and benchmarks only. Known faults
of libebur128, each shown by a test or by `tests/benchmarks/bench_loudness.py`:

- "grid": its loudness range takes the short-term loudness once a second, where Tech 3342 asks for ten
  readings or more, and lets no silence of 1.5 s follow, so that the end of a file counts for less than its
  middle. On real music the range moves by up to 1.7 LU. Ours, kept to that grid, is its own within 0.02 LU.
- "four points": its true peak has 4 points a sample; 0.4 dB low at 0.4 of the rate and on loud, bright music.
- "no flush": a peak at the very end of a file is not seen.
- "pass band": at rates other than 44.1 and 48 kHz its K curve is off, by 0.08 dB at 22.05 kHz.

pyloudnorm has no true peak and no maxima, refuses six channels, and with its default filter reads 0.03 to
0.05 LU low; here it has its exact one, "DeMan".
"""

from __future__ import annotations

import numpy as np
import pyebur128
import pyloudnorm

from mixrender.loudness import meter
from mixrender.loudness.power import STEPS_PER_S

_MODES = pyebur128.MeasurementMode


def libebur128(x, *, sample_rate_hz, poll_s=None):
    """Readings by the names of `Loudness`; the maxima only if polled every `poll_s`."""
    modes = _MODES.MODE_I | _MODES.MODE_LRA | _MODES.MODE_TRUE_PEAK
    state = pyebur128.R128State(x.shape[1], sample_rate_hz, modes)
    step = round(poll_s * sample_rate_hz) if poll_s else len(x)
    flat = np.ascontiguousarray(x, dtype=np.float64).reshape(-1)
    momentary, short_term = [], []
    for start in range(0, len(x), step):
        block = flat[start * x.shape[1] : (start + step) * x.shape[1]]
        state.add_frames(block, len(block) // x.shape[1])
        if poll_s:
            momentary.append(pyebur128.get_loudness_momentary(state))
            short_term.append(pyebur128.get_loudness_shortterm(state))
    peak = max(pyebur128.get_true_peak(state, channel) for channel in range(x.shape[1]))
    return {
        "integrated_lufs": pyebur128.get_loudness_global(state),
        "loudness_range_lu": pyebur128.get_loudness_range(state),
        "true_peak_dbtp": 20 * np.log10(peak),
        "max_momentary_lufs": max(momentary, default=None),
        "max_short_term_lufs": max(short_term, default=None),
    }


def pyloudnorm_meter(x, *, sample_rate_hz, filter_class="DeMan"):
    """Readings by the names of `Loudness`."""
    other = pyloudnorm.Meter(sample_rate_hz, filter_class=filter_class)
    return {
        "integrated_lufs": other.integrated_loudness(x),
        "loudness_range_lu": other.loudness_range(x) if len(x) >= 3 * sample_rate_hz else None,
    }


def range_lu(power, *, readings_per_s=10, is_followed=True):
    """Our loudness range of a power series, read so often, and followed by silence or not."""
    followed = np.append(power.energies, np.zeros(meter.TAIL_STEPS if is_followed else 0))
    hop = STEPS_PER_S // readings_per_s
    powers = meter.window_powers(followed, meter.SHORT_TERM_STEPS, power.sample_rate_hz, hop=hop)
    quiet_lufs, loud_lufs = meter._edges([powers])
    return loud_lufs - quiet_lufs

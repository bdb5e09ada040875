"""Descriptions go in; test signals of EBU Tech 3341, 3342 and BS.1770-5 and what they must read come out.

All are made from their published descriptions: tones in phase on both channels, levels as the peak of each
channel in dBFS. A programme is a list of (seconds, dBFS) parts; None is silence.
"""

import numpy as np

from mixrender.loudness.kfilter import TABLE_48_KHZ


def amplitude(level_db):
    return 0.0 if level_db is None else 10.0 ** (level_db / 20.0)


PROGRAMMES = {
    1: [(20, -23)],
    2: [(20, -33)],
    3: [(10, -36), (60, -23), (10, -36)],
    4: [(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)],
    5: [(20, -26), (20.1, -20), (20, -26)],
}
"""Tech 3341, cases 1 to 5, by their parts."""

SURROUND = amplitude(-24 + 23), amplitude(-28 + 23), amplitude(-30 + 23)
"""Amplitudes of centre, front and rear in case 6, relative to -23 dBFS."""

TONES = {15: (4, 0.5, 0, -6), 16: (4, 0.5, 45, -6), 17: (6, 0.5, 60, -6), 18: (8, 0.5, 67.5, -6)}
TONES[19] = (4, 1.41, 45, 3)
"""Tech 3341, cases 15 to 19: the divisor of the rate, level, degrees, and true peak in dBTP."""

RANGES = {1: ((-20, -30), 10), 2: ((-20, -15), 5), 3: ((-40, -20), 20), 4: ((-50, -35, -20, -35, -50), 15)}
"""Tech 3342, cases 1 to 4: levels of 20 s each, and the range in LU."""


def tone(parts, *, rate_hz=48_000, frequency_hz=1_000.0, weights=(1.0, 1.0)):
    """A tone whose level steps; its phase runs on. Shape (n, len(weights))."""
    edges = np.round(np.cumsum([0.0] + [s for s, _ in parts]) * rate_hz).astype(int)
    level = np.concatenate(
        [np.full(b - a, amplitude(db)) for a, b, (_, db) in zip(edges[:-1], edges[1:], parts, strict=True)]
    )
    wave = level * np.sin(2 * np.pi * frequency_hz / rate_hz * np.arange(len(level)))
    return wave[:, None] * np.asarray(weights)


def faded(x, *, rate_hz, fade_s=0.01):
    """The sound with straight fades at both ends, as the true-peak signals of Tech 3341 have them."""
    n = round(fade_s * rate_hz)
    gain = np.ones(len(x))
    gain[:n] = np.arange(n) / n
    gain[-n:] = gain[:n][::-1]
    return x * gain[:, None]


def true_peak_tone(*, rate_hz, divisor, level, phase_degrees, seconds=0.2):
    """Tech 3341, cases 15 to 19: a tone at rate / divisor whose samples miss the crests."""
    n = np.arange(round(seconds * rate_hz))
    wave = level * np.sin(2 * np.pi * n / divisor + np.radians(phase_degrees))
    return faded(np.stack((wave, wave), axis=1), rate_hz=rate_hz)


def true_peak_burst(*, rate_hz, offset):
    """Tech 3341, cases 20 to 23: a tone at rate / 6 of 0.50 in which one period at rate / 4 has 1.00.

    Made at four times the rate, the frequency changing at a zero, band-limited by an FFT, and taken down
    from sample `offset`.
    """
    periods = 400
    quiet = 0.5 * np.sin(2 * np.pi * np.arange(24 * periods) / 24)
    loud = np.sin(2 * np.pi * np.arange(16) / 16)
    wave = np.concatenate((quiet, loud, quiet))
    wave = np.concatenate((wave, np.zeros(-len(wave) % 8)))
    spectrum = np.fft.rfft(wave)
    spectrum[len(spectrum) // 4 :] = 0.0
    wave = np.fft.irfft(spectrum, len(wave))[offset::4]
    return faded(np.stack((wave, wave), axis=1), rate_hz=rate_hz)


def k_gain_db(frequency_hz):
    """The K weighting's response at 48 kHz, computed from the standard's own table."""
    z = np.exp(-2j * np.pi * np.asarray(frequency_hz) / 48_000)
    sections = [(b0 + b1 * z + b2 * z * z) / (1 + a1 * z + a2 * z * z) for b0, b1, b2, a1, a2 in TABLE_48_KHZ]
    return 20 * np.log10(np.abs(sections[0] * sections[1]))


class Arithmetic:
    """What a step-wise tone must measure, from its parts alone: powers of windows, gates, percentiles."""

    def __init__(self, parts, *, power=2.0):
        self.edges = np.cumsum([0.0] + [s for s, _ in parts])
        self.powers = np.array([power / 2 * amplitude(db) ** 2 for _, db in parts])
        self.energy = np.concatenate(([0.0], np.cumsum(self.powers * np.diff(self.edges))))

    def windows(self, starts_s, width_s):
        ends_s = np.asarray(starts_s) + width_s
        energy = np.interp(ends_s, self.edges, self.energy) - np.interp(starts_s, self.edges, self.energy)
        return energy / width_s

    def lufs(self, power):
        return -0.691 + 10 * np.log10(power) + k_gain_db(1_000.0)

    def greatest(self, width_s):
        """The greatest loudness of a sliding window; it begins or ends where the level steps."""
        starts_s = np.concatenate((self.edges, self.edges - width_s))
        starts_s = starts_s[(starts_s >= 0) & (starts_s + width_s <= self.edges[-1] + 1e-9)]
        return self.lufs(self.windows(starts_s, width_s).max())

    def integrated(self):
        blocks = self.windows(np.arange(0, self.edges[-1] - 0.4 + 1e-6, 0.1), 0.4)
        blocks = blocks[10 * np.log10(np.maximum(blocks, 1e-30)) > -70.0]
        return self.lufs(blocks[blocks > blocks.mean() / 10].mean())

    def range(self):
        blocks = self.windows(np.arange(0, self.edges[-1] + 1.5 - 3.0 + 1e-6, 0.1), 3.0)
        blocks = blocks[10 * np.log10(np.maximum(blocks, 1e-30)) >= -70.0]
        blocks = np.sort(blocks[blocks >= blocks.mean() / 100])
        low, high = (blocks[int((len(blocks) - 1) * p + 0.5)] for p in (0.10, 0.95))
        return 10 * np.log10(high / low)


def interpolated_peak_db(x, *, times=32, pad=2_048):
    """Peak in dB of the waveform, by zero-padding the spectrum of the sound between stretches of silence."""
    padded = np.pad(x, ((pad, pad), (0, 0)))
    spectrum = np.fft.rfft(padded, axis=0)
    fine = np.fft.irfft(spectrum, len(padded) * times, axis=0) * times
    return 20 * np.log10(np.abs(fine).max())


def music_like(*, seconds, rate_hz, seed=0, low_pass_hz=20_000.0):
    """A synthetic dance programme, stereo: kick, bass, chords, hats, breaks; band-limited, peak 1."""
    rng = np.random.default_rng(seed)
    n = round(seconds * rate_hz)
    t = np.arange(n) / rate_hz
    beats = t * 126 / 60
    since_s = beats % 1 * 60 / 126
    kick = np.sin(2 * np.pi * (50 * since_s + 8 * (1 - np.exp(-since_s * 30)))) * np.exp(-since_s * 6)
    bass = (2 * (55 * t % 1) - 1) * (since_s > 0.1)
    hats = rng.standard_normal((n, 2)) * np.exp(-12 * ((beats * 2 + 1) % 1))[:, None]
    chords = np.stack(
        [
            sum((2 * ((f * t + p) % 1) - 1) for f, p in ((220, s), (277.2, 0.3), (329.6, 0.6)))
            for s in (0, 0.2)
        ],
        axis=1,
    )
    drums = (np.sin(2 * np.pi * t / 30) > -0.5)[:, None]  # a break every half minute
    x = drums * (0.8 * kick[:, None] + 0.3 * bass[:, None] + 0.35 * hats) + 0.1 * chords
    spectrum = np.fft.rfft(x, axis=0)
    spectrum[np.fft.rfftfreq(n, 1 / rate_hz) > low_pass_hz] = 0.0
    x = np.fft.irfft(spectrum, n, axis=0)
    return x / np.abs(x).max()

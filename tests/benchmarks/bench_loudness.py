"""Signals go in; the errors, speed and memory of three loudness meters and of the limiter come out.

    python tests/benchmarks/bench_loudness.py
    python tests/benchmarks/bench_loudness.py --minutes 240 --repeat 1 --only mixrender

First the published test signals and the known faults of the references (`loudness_accuracy`). Then speed:
each reads the same synthetic 16-bit stereo WAV in a process of its own: this program's meter (I, LRA, largest
M and S every 5 ms, both over time, sample peak, true peak at 8 points a sample), libebur128 through pyebur128
(I, LRA, true peak at 4 points; and once more asked for M and S every 0.1 s), pyloudnorm (I, LRA; it needs the
whole file at once), and this program's limiter at its slowest and its fastest pace, samples 9 dB over. CPU
time counts from after the imports and a warm-up of four seconds. At last the memory for an hour. Aims: the
meter 300 times real time on one core, 300 MB at any length. Exit status 1 if one of them, or a bound of an
error, is missed.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 44_100
PEAK = 0.6
AIM_SPEED = 300.0
AIM_MB = 300.0
LONG_RUNS = ("mixrender", "libebur128")
BLOCK_FRAMES = 65_536


def write_programme(path: Path, *, minutes: float) -> None:
    """Clipped noise whose level moves slowly: its peaks lie close together, the hardest case for a search."""
    rng = np.random.default_rng(1)
    with soundfile.SoundFile(path, "w", RATE_HZ, 2, "PCM_16") as file:
        for second in range(round(minutes * 60)):
            level = 0.4 * (1.0 + 0.4 * np.sin(second / 7))
            file.write((level * rng.standard_normal((RATE_HZ, 2))).clip(-PEAK, PEAK))


def mixrender_meter(path: Path) -> str:
    from mixrender.loudness.meter import Meter
    from mixrender.loudness.series import momentary_series, short_term_series

    meter = Meter(sample_rate_hz=RATE_HZ)
    for block in soundfile.blocks(path, BLOCK_FRAMES, dtype="float32"):
        meter.push(block)
    found, power = meter.result(), meter.power()
    momentary_series(power), short_term_series(power)
    return f"{found.integrated_lufs:.3f} {found.loudness_range_lu:.2f} {found.true_peak_dbtp:.2f}"


def limiter(path: Path, *, pace: int) -> str:
    from mixrender.dsp.limiter import PACES, Limiter
    from mixrender.units import db_to_gain

    working = Limiter(ceiling_dbtp=-1.0, sample_rate_hz=RATE_HZ, pace=PACES[pace])
    gain = db_to_gain(9.0 - 1.0) / PEAK
    for block in soundfile.blocks(path, BLOCK_FRAMES, dtype="float64"):
        working.push(block * gain)
    working.flush()
    return f"{working.max_reduction_db:.2f} dB at most, {working.mean_reduction_db:.2f} dB on average"


def libebur128_meter(path: Path, *, poll_frames: int = BLOCK_FRAMES) -> str:
    import pyebur128

    modes = pyebur128.MeasurementMode
    state = pyebur128.R128State(2, RATE_HZ, modes.MODE_I | modes.MODE_LRA | modes.MODE_TRUE_PEAK)
    for block in soundfile.blocks(path, poll_frames, dtype="float32"):
        state.add_frames(block.reshape(-1), len(block))
        if poll_frames != BLOCK_FRAMES:
            pyebur128.get_loudness_momentary(state), pyebur128.get_loudness_shortterm(state)
    peak = max(pyebur128.get_true_peak(state, channel) for channel in (0, 1))
    loudness, loudness_range = pyebur128.get_loudness_global(state), pyebur128.get_loudness_range(state)
    return f"{loudness:.3f} {loudness_range:.2f} {20 * np.log10(peak):.2f}"


def pyloudnorm_meter(path: Path) -> str:
    import pyloudnorm

    sound, _ = soundfile.read(path)
    meter = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan")
    return f"{meter.integrated_loudness(sound):.3f} {meter.loudness_range(sound):.2f} -"


RUNS = {
    "mixrender": mixrender_meter,
    "libebur128": libebur128_meter,
    "libebur128, M and S": partial(libebur128_meter, poll_frames=RATE_HZ // 10),
    "pyloudnorm": pyloudnorm_meter,
    "limiter, slowest": partial(limiter, pace=0),
    "limiter, fastest": partial(limiter, pace=-1),
}


def child(name: str, path: Path, warm_up: Path) -> None:
    """Measure in this process; print CPU seconds, peak memory in MB and the readings."""
    RUNS[name](warm_up)
    start = time.process_time()
    readings = RUNS[name](path)
    cpu_s = time.process_time() - start
    print(cpu_s, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, readings)


def main() -> int:
    """Parse the options, run all and print the tables; 1 if an aim or a bound is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=10.0, help="length of the sound (default 10)")
    parser.add_argument("--repeat", type=int, default=3, help="runs of each; the best counts (default 3)")
    parser.add_argument(
        "--only", choices=RUNS, action="append", help="one whose speed to take (default: all)"
    )
    parser.add_argument("--child", nargs=3, metavar=("NAME", "WAV", "WARM_UP"), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        child(options.child[0], Path(options.child[1]), Path(options.child[2]))
        return 0
    if options.only:
        return take_speed(options.only, minutes=options.minutes, repeat=options.repeat)
    accuracy = Path(__file__).with_name("loudness_accuracy.py")
    missed = [
        # In a process of its own: the peak memory of a child counts from what its parent holds.
        subprocess.run([sys.executable, accuracy], check=False).returncode,
        take_speed(list(RUNS), minutes=options.minutes, repeat=options.repeat),
        take_speed(list(LONG_RUNS), minutes=60.0, repeat=1),
    ]
    return int(any(missed))


def take_speed(names: list[str], *, minutes: float, repeat: int) -> int:
    """Make the sound, run all in turn and print the table; 1 if an aim is missed."""
    with tempfile.TemporaryDirectory() as folder:
        sound, warm_up = Path(folder) / "sound.wav", Path(folder) / "warm_up.wav"
        write_programme(sound, minutes=minutes)
        write_programme(warm_up, minutes=4 / 60)
        runs = run_all(names, sound, warm_up, repeat=repeat)
    print(f"\n{minutes:g} min, stereo, {RATE_HZ} Hz, best of {repeat}", flush=True)
    return table(runs, seconds=minutes * 60)


def run_all(names: list[str], sound: Path, warm_up: Path, *, repeat: int) -> dict[str, list[str]]:
    """The best run of each, as the texts CPU seconds, peak MB and readings; all take turns."""
    runs: dict[str, list[list[str]]] = {name: [] for name in names}
    for _ in range(repeat):
        for name, results in runs.items():
            command = [sys.executable, __file__, "--child", name, str(sound), str(warm_up)]
            output = subprocess.run(command, check=True, capture_output=True, text=True).stdout
            results.append(output.split(maxsplit=2))
    return {name: min(results, key=lambda run: float(run[0])) for name, results in runs.items()}


def table(runs: dict[str, list[str]], *, seconds: float) -> int:
    """Print speed, speed beside ours, memory and readings of each; 1 if the meter misses an aim."""
    print(f"{'':20}{'x real time':>12}{'ours is':>10}{'peak MB':>10}   I (LUFS), LRA (LU), TP (dBTP)")
    ours_s = float(runs["mixrender"][0]) if "mixrender" in runs else None
    for name, (cpu_s, memory_mb, readings) in runs.items():
        other = ours_s is not None and name.startswith(("lib", "py"))
        ratio = f"{float(cpu_s) / ours_s:.1f} x" if other and ours_s else ""
        figures = readings.strip() if "limiter" in name else ", ".join(readings.split())
        print(f"{name:20}{seconds / float(cpu_s):>12.0f}{ratio:>10}{float(memory_mb):>10.0f}   {figures}")
    if ours_s is None:
        return 0
    speed, memory_mb = seconds / ours_s, float(runs["mixrender"][1])
    is_met = speed >= AIM_SPEED and memory_mb <= AIM_MB
    print(f"aims of the meter: {AIM_SPEED:g} x real time, {AIM_MB:g} MB: {'met' if is_met else 'MISSED'}")
    return 0 if is_met else 1


if __name__ == "__main__":
    sys.exit(main())

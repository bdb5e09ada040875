"""A length of sound goes in; the speed and peak memory of three loudness meters on it come out as a table.

    python tests/benchmarks/bench_loudness.py --minutes 10 --repeat 3

Each meter reads the same synthetic 16-bit stereo WAV in a process of its own: this program (I, LRA, largest M
and S, true peak at 8 points a sample), libebur128 through pyebur128 (I, LRA, true peak), and pyloudnorm (I,
LRA; it needs the whole file at once). CPU time counts from after the imports and a warm-up of one second.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 44_100
BLOCK_FRAMES = 65_536


def write_programme(path: Path, *, minutes: float) -> None:
    """Clipped noise whose level moves slowly: its peaks lie close together, the hardest case for a search."""
    rng = np.random.default_rng(1)
    with soundfile.SoundFile(path, "w", RATE_HZ, 2, "PCM_16") as file:
        for second in range(round(minutes * 60)):
            level = 0.4 * (1.0 + 0.4 * np.sin(second / 7))
            file.write((level * rng.standard_normal((RATE_HZ, 2))).clip(-0.6, 0.6))


def mixrender_meter(path: Path) -> str:
    from mixrender.loudness.meter import Meter

    meter = Meter(sample_rate_hz=RATE_HZ)
    for block in soundfile.blocks(path, BLOCK_FRAMES, dtype="float32"):
        meter.push(block)
    found = meter.result()
    return f"{found.integrated_lufs:.3f} {found.loudness_range_lu:.2f} {found.true_peak_dbtp:.2f}"


def libebur128_meter(path: Path) -> str:
    import pyebur128

    modes = pyebur128.MeasurementMode
    state = pyebur128.R128State(2, RATE_HZ, modes.MODE_I | modes.MODE_LRA | modes.MODE_TRUE_PEAK)
    for block in soundfile.blocks(path, BLOCK_FRAMES, dtype="float32"):
        state.add_frames(block.reshape(-1), len(block))
    peak = max(pyebur128.get_true_peak(state, channel) for channel in (0, 1))
    loudness, loudness_range = pyebur128.get_loudness_global(state), pyebur128.get_loudness_range(state)
    return f"{loudness:.3f} {loudness_range:.2f} {20 * np.log10(peak):.2f}"


def pyloudnorm_meter(path: Path) -> str:
    import pyloudnorm

    sound, _ = soundfile.read(path)
    meter = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan")
    return f"{meter.integrated_loudness(sound):.3f} {meter.loudness_range(sound):.2f} -"


METERS = {"mixrender": mixrender_meter, "libebur128": libebur128_meter, "pyloudnorm": pyloudnorm_meter}


def child(name: str, path: Path, warm_up: Path) -> None:
    """Measure in this process; print CPU seconds, peak memory in MB and the readings."""
    METERS[name](warm_up)
    start = time.process_time()
    readings = METERS[name](path)
    cpu_s = time.process_time() - start
    print(cpu_s, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, readings)


def main() -> None:
    """Parse the options, make the sound, run the meters in turn and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=10.0, help="length of the sound (default 10)")
    parser.add_argument(
        "--repeat", type=int, default=3, help="runs of each meter; the best counts (default 3)"
    )
    parser.add_argument("--only", choices=METERS, action="append", help="a meter to run (default: all)")
    parser.add_argument("--child", nargs=3, metavar=("METER", "WAV", "WARM_UP"), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        child(options.child[0], Path(options.child[1]), Path(options.child[2]))
        return
    with tempfile.TemporaryDirectory() as folder:
        sound, warm_up = Path(folder) / "sound.wav", Path(folder) / "warm_up.wav"
        write_programme(sound, minutes=options.minutes)
        write_programme(warm_up, minutes=4 / 60)
        print(f"{options.minutes:g} min, stereo, {RATE_HZ} Hz, best of {options.repeat}")
        print(f"{'meter':12}{'x real time':>12}{'peak MB':>10}   I (LUFS), LRA (LU), TP (dBTP)")
        runs = {name: [] for name in options.only or METERS}
        for _ in range(options.repeat):
            for name, results in runs.items():
                command = [sys.executable, __file__, "--child", name, str(sound), str(warm_up)]
                output = subprocess.run(command, check=True, capture_output=True, text=True).stdout
                results.append(output.split(maxsplit=2))
        for name, results in runs.items():
            cpu_s, memory_mb, readings = min(results, key=lambda run: float(run[0]))
            speed = options.minutes * 60 / float(cpu_s)
            print(f"{name:12}{speed:>12.0f}{float(memory_mb):>10.0f}   {', '.join(readings.split())}")


if __name__ == "__main__":
    main()

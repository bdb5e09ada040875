"""A pair at half and full speed for the end of the night, as data: 87 BPM in F minor, 174 BPM in Ab major."""

from __future__ import annotations

from mixrender.demo.score import Layer, Score, Section, once
from mixrender.demo.synth import Bell, Clap, Drum, Hat, Kick, Saws, Snare, Sweep

_REST = "." * 16
_BACKBEAT = "....X.......X..."
_SLOW_KICK = "X.....x...X....." + "X..x..x...X...x."
_SLOW_HAT = "x.o.x.oox.o.xoxo"
_SLOW_BASS = "0-----0---4-----" + "0--0--0---7---4-"
_BELLS = "4...7.9.....7..." + "4...2.0........."
_FAST_KICK = "X.........X....." + "X.....x...X....."
_FAST_HAT = "x.o.x.o.x.o.x.oo"
_REESE = "0-------0-----4-" + "0---------7---4-"
_GHOSTS = "....X..o.o..X..." + "....X..o.o..X.oo"

CARTOGRAPHY = Score(
    name="slow-cartography",
    title="Slow Cartography",
    artist="Ilse Vantongue",
    tempo_bpm=87.0,
    key="F minor",
    progression=(0, 5, 3, 0),
    lead_in_s=0.08,
    swing=0.18,
    drive=1.30,
    reverb_s=2.4,
    echo_beats=0.75,
    seed=5,
    layers={
        "kick": Layer(Kick(tune_hz=46.0, decay_s=0.17, click=0.4, drive=2.0), -5.5),
        "snare": Layer(Snare(tune_hz=180.0, wires=0.9, decay_s=0.13), -7.5, reverb=0.35),
        "clap": Layer(Clap(decay_s=0.1), -11.5, reverb=0.5),
        "hat": Layer(Hat(decay_s=0.028, low_hz=7500.0), -12.0),
        "open": Layer(Hat(decay_s=0.16, low_hz=6500.0, width=0.5), -15.0, reverb=0.1, duck=0.2),
        "drum": Layer(Drum(tune_hz=300.0, decay_s=0.08, pan=-0.4), -12.0, reverb=0.35, echo=0.2),
        "bass": Layer(
            Saws(
                cutoff_hz=160.0,
                sweep_hz=450.0,
                sweep_s=0.12,
                q=0.9,
                sub=1.0,
                drive=1.5,
                attack_s=0.006,
                release_s=0.08,
            ),
            -9.0,
            lowest_midi=29,
            duck=0.7,
        ),
        "pad": Layer(
            Saws(
                unison=5,
                detune_cents=15.0,
                width=0.95,
                cutoff_hz=6000.0,
                sweep_hz=0.0,
                attack_s=0.2,
                release_s=0.5,
            ),
            -7.5,
            lowest_midi=53,
            chords=True,
            rooted=True,
            reverb=0.4,
            duck=0.55,
            filter_hz=1400.0,
        ),
        "keys": Layer(
            Bell(ratio=1.0, index=1.4, decay_s=0.7),
            -9.0,
            lowest_midi=56,
            chords=True,
            reverb=0.35,
            echo=0.15,
            duck=0.35,
        ),
        "bells": Layer(
            Bell(ratio=3.5, index=1.5, decay_s=0.5), -16.5, lowest_midi=77, reverb=0.5, echo=0.5, duck=0.2
        ),
        "riser": Layer(Sweep(from_hz=300.0, to_hz=8000.0), -16.0, reverb=0.3),
        "crash": Layer(Hat(decay_s=0.8, low_hz=4500.0, metal=0.25, width=0.8), -17.0, reverb=0.35),
        "fall": Layer(Sweep(from_hz=6000.0, to_hz=200.0, grows=False), -20.0, reverb=0.3),
    },
    sections=(
        Section(
            "intro",
            8,
            {
                "kick": _SLOW_KICK,
                "snare": _BACKBEAT,
                "hat": _REST * 2 + _SLOW_HAT * 6,
                "drum": _REST * 4 + "...x..o....x.o.." * 4,
                "crash": once("x", bars=8),
            },
        ),
        Section(
            "groove",
            8,
            {
                "kick": _SLOW_KICK,
                "snare": _BACKBEAT,
                "hat": _SLOW_HAT,
                "drum": "...x..o....x.o..",
                "bass": _SLOW_BASS,
                "keys": "x.........x.....",
                "crash": once("x", bars=8),
            },
        ),
        Section(
            "break",
            8,
            {
                "pad": "X" + "-" * 15,
                "keys": _REST * 4 + "x.........x....." * 4,
                "bells": _BELLS,
                "hat": _REST * 4 + "o...o...o...o..." * 4,
                "riser": _REST * 4 + "x" + "-" * 59 + "....",
                "fall": "x" + "-" * 31 + _REST * 6,
            },
            sweeps_hz={"pad": (450.0, 4500.0)},
            ramps_db={"pad": (-4.0, -1.5)},
        ),
        Section(
            "drop",
            16,
            {
                "kick": _SLOW_KICK,
                "snare": _BACKBEAT * 3 + "....X.......X.oo",
                "clap": _BACKBEAT,
                "hat": "x.o.x.oox.o.xxxx" + _SLOW_HAT,
                "open": "......x.......x.",
                "drum": "...x..o....x.o..",
                "bass": _SLOW_BASS,
                "pad": "X" + "-" * 15,
                "keys": "x..x......x..x..",
                "bells": _BELLS,
                "crash": once("X", bars=8),
            },
            sweeps_hz={"pad": (1600.0, 2600.0)},
            ramps_db={"pad": (-3.0, -3.0)},
        ),
        Section(
            "outro",
            8,
            {
                "kick": _SLOW_KICK,
                "snare": _BACKBEAT,
                "hat": _SLOW_HAT * 6 + _REST * 2,
                "drum": "...x..o....x.o..",
                "crash": once("x", bars=8),
                "fall": "x" + "-" * 31 + _REST * 6,
            },
        ),
    ),
)

KITE = Score(
    name="kite-over-varrow",
    title="Kite over Varrow",
    artist="Tindersett",
    tempo_bpm=174.0,
    key="Ab major",
    progression=(0, 5, 3, 4),
    chord_bars=2,
    lead_in_s=0.05,
    drive=1.10,
    reverb_s=2.0,
    echo_beats=1.5,
    seed=6,
    layers={
        "kick": Layer(Kick(tune_hz=54.0, decay_s=0.095, click=0.5, drive=2.2), -5.0),
        "snare": Layer(Snare(tune_hz=205.0, wires=0.95, decay_s=0.1), -5.5, reverb=0.22),
        "hat": Layer(Hat(decay_s=0.02, low_hz=8000.0), -12.5),
        "ride": Layer(Hat(decay_s=0.16, low_hz=6000.0, metal=0.8, width=0.2), -18.5),
        "shaker": Layer(Hat(decay_s=0.03, low_hz=5500.0, metal=0.0, attack_s=0.01, width=0.8), -19.0),
        "bass": Layer(
            Saws(
                unison=3,
                detune_cents=14.0,
                width=0.25,
                cutoff_hz=380.0,
                sweep_hz=500.0,
                sweep_s=0.15,
                q=1.0,
                sub=0.9,
                drive=1.5,
                attack_s=0.006,
                release_s=0.04,
            ),
            -12.0,
            lowest_midi=32,
            duck=0.7,
            filter_hz=2500.0,
        ),
        "pad": Layer(
            Saws(
                unison=5,
                detune_cents=15.0,
                width=0.95,
                cutoff_hz=7000.0,
                sweep_hz=0.0,
                attack_s=0.15,
                release_s=0.4,
            ),
            -7.0,
            lowest_midi=56,
            chords=True,
            rooted=True,
            reverb=0.45,
            duck=0.5,
            filter_hz=2000.0,
        ),
        "keys": Layer(
            Bell(ratio=1.0, index=1.5, decay_s=0.35),
            -9.0,
            lowest_midi=60,
            chords=True,
            reverb=0.35,
            echo=0.25,
            duck=0.3,
        ),
        "lead": Layer(
            Saws(
                unison=2,
                detune_cents=7.0,
                width=0.5,
                square=0.5,
                cutoff_hz=1200.0,
                sweep_hz=4200.0,
                sweep_s=0.1,
                decay_s=0.3,
                release_s=0.1,
            ),
            -6.0,
            lowest_midi=68,
            reverb=0.4,
            echo=0.4,
            duck=0.25,
        ),
        "riser": Layer(Sweep(from_hz=300.0, to_hz=12000.0), -14.0, reverb=0.3),
        "crash": Layer(Hat(decay_s=0.7, low_hz=4500.0, metal=0.3, width=0.8), -15.0, reverb=0.3),
        "fall": Layer(Sweep(from_hz=8000.0, to_hz=200.0, grows=False), -19.0, reverb=0.3),
    },
    sections=(
        Section(
            "intro",
            16,
            {
                "kick": _FAST_KICK,
                "snare": _BACKBEAT,
                "hat": _REST * 8 + _FAST_HAT * 8,
                "shaker": _REST * 8 + "xoxoxoxoxoxoxoxo" * 8,
                "riser": _REST * 12 + "x" + "-" * 63,
                "crash": once("x", bars=16),
            },
        ),
        Section(
            "groove",
            16,
            {
                "kick": _FAST_KICK,
                "snare": _GHOSTS,
                "hat": _FAST_HAT,
                "shaker": "xoxoxoxoxoxoxoxo",
                "bass": _REESE,
                "keys": _REST * 8 + "x.....x.....x..." * 8,
                "crash": once("x", bars=8),
            },
            sweeps_hz={"bass": (250.0, 900.0)},
        ),
        Section(
            "break",
            16,
            {
                "pad": "X" + "-" * 31,
                "keys": _REST * 8 + "x.....x.....x..." * 8,
                "lead": "4---5---7-------" + "9---7---4---2---" + "4---2---0-------" + "2---4-----------",
                "hat": _REST * 8 + "x...x...x...x..." * 8,
                "snare": _REST * 12
                + "x.......x......."
                + "x...x...x...x..."
                + "x.x.x.x.x.x.x.x."
                + "xxxxxxxx........",
                "riser": _REST * 8 + "x" + "-" * 119 + "........",
                "fall": "x" + "-" * 63 + _REST * 12,
            },
            sweeps_hz={"pad": (500.0, 7000.0)},
            ramps_db={"snare": (-20.0, -4.0), "pad": (-4.0, -1.5)},
        ),
        Section(
            "drop",
            32,
            {
                "kick": _FAST_KICK * 3 + "X.........X....." + "X..x..x...X...x.",
                "snare": _GHOSTS,
                "hat": _FAST_HAT,
                "ride": _REST * 16 + "x...x...x...x..." * 16,
                "shaker": "xoxoxoxoxoxoxoxo",
                "bass": _REESE,
                "pad": "X" + "-" * 31,
                "keys": "x.....x.....x...",
                "lead": _REST * 16
                + ("4---5---7-------" + "9---7---4---2---" + "4---2---0-------" + "2---4-----------") * 4,
                "crash": once("X", bars=16),
            },
            sweeps_hz={"bass": (600.0, 1500.0), "pad": (1500.0, 3000.0)},
            ramps_db={"pad": (-4.5, -4.5)},
        ),
        Section(
            "outro",
            16,
            {
                "kick": _FAST_KICK,
                "snare": _BACKBEAT,
                "hat": _FAST_HAT,
                "shaker": "xoxoxoxoxoxoxoxo" * 8 + _REST * 8,
                "bass": _REESE * 2 + _REST * 12,
                "crash": once("x", bars=16),
                "fall": "x" + "-" * 63 + _REST * 12,
            },
        ),
    ),
)

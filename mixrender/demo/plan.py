"""The demo's plan, a commented text that uses all sorts of moves, and the file it is written to."""

from __future__ import annotations

from pathlib import Path

from mixrender.audio.atomic import write_text_atomic

PLAN_NAME = "saltmarsh-signal.yaml"


def write_plan(folder: Path) -> Path:
    """Write the plan into `folder`, beside the `tracks` folder that it refers to, and return its path.

    Raises MachineError where the folder cannot be written.
    """
    path = folder / PLAN_NAME
    write_text_atomic(path, PLAN_TEXT)
    return path


PLAN_TEXT = """\
# Six tracks, five transitions, each one made in another way.
# Change a number and run `mixrender preview` on this file: only what changed is made anew.

title: Saltmarsh Signal
artist: Tessaly Drane
note: All sorts of moves, each once. The tracks are synthesised by `mixrender demo`.

loudness: {integrated: -14 LUFS, true_peak: -1 dBTP}   # what the finished mix must measure
match_loudness: true                     # one constant gain per track, so that loud parts are equally loud
output: {format: flac, bits: 24, rate: 44100}
start: {at: 1, fade: 0 bars}             # bar of the first track
end: {at: 97, fade: 4 bars}              # bar line of the last track; the fade ends there

tracks:                                  # they play in this order; paths are relative to this file
  ferrow:
    file: tracks/ferrow-lights.flac
    cues: {groove: 17, break: 25, build: 33, drop: 41, outro: 57}   # names for bars of this track
    moves:                               # the track's own moves; positions are its bars
      lowpass: {39: open, 40.75: 500 Hz, 41: open at once}          # closes before the drop, opens on it

  glasswork:
    file: tracks/glasswork-tide.flac     # tempo, bar 1, key and loudness come from the analysis
    cues: {drop: 41, outro: 57}

  engine:
    file: tracks/hollow-engine.flac      # recorded at 48 kHz; the mix is at 44.1 kHz
    gain: -1 dB                          # a trim, on top of the matched loudness
    cues: {break: 33, drop: 49, outro: 65}
    moves:
      phaser: {amount: {33: 0 %, 41: 70 %, 48: 0 %}, time: 32 beats} # through the break, up and away

  pinwheel:
    file: tracks/pinwheel-static.flac
    # It begins with a pickup of two beats. Facts written here override the analysis.
    grid: {tempo: 132 BPM, bar_1: 0.949 s, beats_per_bar: 4}
    cues: {break: 25, drop: 41, outro: 57}

  cartography:
    file: tracks/slow-cartography.flac
    grid: {tempo: 87 BPM, bar_1: 0.08 s, beats_per_bar: 4}          # 87, not 174
    key: F minor
    cues: {groove: 9, break: 17, drop: 25, outro: 41}
    note: Half-time.

  kite:
    file: tracks/kite-over-varrow.flac
    grid: {tempo: 174 BPM, bar_1: 0.05 s}                           # 174, not 87
    key: Ab major
    cues: {groove: 17, break: 33, drop: 49, outro: 81}
    edits:                               # the first half of the break is left out; bars keep their numbers
      - {skip: 33, length: 8 bars}
    moves:
      reverse: {48.75: 1 beat}           # the last beat before the drop runs backwards

# Each transition is a pair of neighbours. Between ferrow and glasswork nothing is written: they get the
# default, 16 bars of `blend` into the beginning of the next track while the tempo glides to its own.
transitions:
  - from: glasswork
    to: engine
    note: Basses change places half-way. The tempo has arrived by then.
    leave: outro                         # bar of glasswork where the overlap begins
    enter: 1                             # bar of engine that sounds there
    overlap: 16 bars
    tempo: {to: 128 BPM, start: 0, over: 8 bars}
    recipe: bass-swap
    moves:                               # a lane here replaces the recipe's lane of that control
      glasswork:                         # positions are bars after the start of the overlap
        level:    {12: 0 dB, 16: silent}
        highpass: {10: open, 16: 400 Hz}
      engine:
        high: {0: -9 dB, 4: 0 dB}

  - from: engine
    to: pinwheel
    note: The break of pinwheel lies over the outro of engine, and its drop falls where engine ends.
    leave: outro
    enter: drop - 16                     # a cue with an offset in bars
    overlap: 16 bars
    curve: slow                          # how a level comes from and goes to `silent`
    tempo:                               # in two steps
      - {to: 130 BPM, start: 0, over: 8 bars}
      - {to: 132 BPM, start: 12, over: 4 bars}
    recipe: blend
    moves:
      engine:
        low: {15: 0 dB, 15.5: kill in 2 beats}       # holds until half a bar before the end, then goes
        mid: {8: 0 dB, end: -9 dB}
      pinwheel:
        lowpass: {0: 700 Hz, 8: 5000 Hz, end - 4: open}
    noise_sweep:                         # filtered noise that rises into the drop
      level:  {middle: silent, end: -20 dB, end + 0.5: silent}
      cutoff: {middle: 300 Hz, end: 9 kHz}

  - from: pinwheel
    to: cartography
    note: No overlap. The tempo jumps, which is allowed where one track sounds on each side.
    leave: outro
    enter: groove
    overlap: 0 bars
    count: plain                         # 87 beside 132 would otherwise be counted as 174
    tempo: {to: 87 BPM, over: 0 bars}
    recipe: cut
    moves:
      pinwheel:
        highpass: {-4: open, 0: 1500 Hz}             # the four bars before the cut
        echo:                                        # its last beats ring on over the next track
          amount: {-1: 0 %, 0: 70 %}
          time: 1/2 beat
          feedback: 50 %

  - from: cartography
    to: kite
    note: Two bars of kite lie on one of cartography, so nothing is stretched. All by hand.
    leave: outro
    enter: 1
    overlap: 8 bars
    count: double
    tempo: hold
    recipe: none                         # starts from neutral
    moves:
      cartography:
        level:   {6: 0 dB, 8: silent}
        low:     {4: kill in 2 beats}
        high:    {4: 0 dB, 8: -12 dB}
        lowpass: {4: open, 8: 600 Hz}
      kite:
        level:    {0: silent, 2: 0 dB}
        low:      {0: kill, 4: 0 dB in 2 beats}      # where the other bass goes: together they are one
        mid:      {0: -6 dB, 4: 0 dB at once}        # done when the bar line is there
        high:     {0: kill, 3: 0 dB in 4 beats}
        highpass: {0: 250 Hz, 4: open}
"""

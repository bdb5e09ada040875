"""What may spoil a mix, found in sound whose faults are known to the sample."""

import dataclasses
import subprocess

import numpy as np
import pytest
import scipy.signal
import soundfile
from loop_music import RATE_HZ, make_track

from mixrender.analysis.condition import Examiner
from mixrender.analysis.listen import listen
from mixrender.analysis.track import measure
from mixrender.analysis.track_warnings import all_warnings, sound_warnings, tag_warnings
from mixrender.audio import programs
from mixrender.audio.read import probe
from mixrender.errors import AudioError, InputError
from mixrender.facts import Condition, FileTags, Grid, Loudness, TrackFacts
from mixrender.loudness.meter import measure as measure_loudness


def examined(sound, *, block_frames=65536, rate_hz=RATE_HZ, **options):
    examiner = Examiner(sample_rate_hz=rate_hz, **options)
    for start in range(0, len(sound), block_frames):
        examiner.push(sound[start : start + block_frames].astype(np.float32))
    return examiner.result()


def warnings_of(sound, *, rate_hz=RATE_HZ, **options):
    """What is said of a sound by itself."""
    examiner = Examiner(sample_rate_hz=rate_hz, **options)
    examiner.push(sound.astype(np.float32))
    facts = TrackFacts(
        content_hash="",
        duration_s=len(sound) / rate_hz,
        sample_rate_hz=rate_hz,
        channels=1 if options.get("mono") else 2,
        decoder="",
        grid=Grid("none"),
        first_sound_s=examiner.first_sound_s or 0.0,
        last_sound_s=examiner.last_sound_s,
        loudness=measure_loudness(sound, sample_rate_hz=rate_hz),
        condition=examiner.result(),
    )
    return sound_warnings(facts)


def music(seconds=8.0, *, level=0.2, seed=1):
    """Two channels of low-passed noise over a bass note, which is a little like music: no sample repeats."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * RATE_HZ)
    low, high = scipy.signal.butter(2, 4000.0, fs=RATE_HZ), 0.3 * level
    noise = scipy.signal.lfilter(*low, rng.standard_normal((frames, 2)), axis=0) * high
    bass = level * np.sin(2 * np.pi * 55.0 * np.arange(frames) / RATE_HZ)
    return noise + bass[:, None]


def flat_tops(sound, *, ceiling):
    """Runs of three and more samples that were cut off at +-ceiling, counted another way: by run lengths."""
    total = 0
    for channel in sound.T:
        for side in (channel >= ceiling, channel <= -ceiling):
            edges = np.flatnonzero(np.diff(np.concatenate(([0], side.astype(int), [0]))))
            total += int(np.sum(edges[1::2] - edges[::2] >= 3))
    return total


@pytest.mark.parametrize(("ceiling", "bits"), [(1.0, 16), (1.0, 24), (0.9, 16), (0.5, 24)])
def test_each_flat_top_is_counted(ceiling, bits):
    loud = music() * 8.0
    steps = 2.0 ** (bits - 1)
    cut = np.clip(np.round(np.clip(loud, -ceiling, ceiling) * steps), -steps, steps - 1) / steps
    expected = flat_tops(np.clip(loud, -ceiling, ceiling), ceiling=ceiling)
    found = examined(cut, bits=bits)

    print(f"ceiling {ceiling}, {bits} bits: {found.clipped_runs} flat tops (expected {expected} +- 0.1 %)")
    assert expected > 500
    # A neighbour within two steps of the ceiling makes a run of three out of two cut samples.
    assert abs(found.clipped_runs - expected) <= 0.001 * expected
    assert found.clipped_dbfs == pytest.approx(20 * np.log10(ceiling), abs=0.01)


def test_the_worst_flat_top_is_the_longest_with_its_time():
    sound = music() * 0.5
    sound[100_000:100_003, 0] = 0.9
    sound[200_000:200_025, 1] = -0.9
    sound[300_000:300_007, 0] = 0.9
    found = examined(sound)

    assert (found.clipped_runs, found.clipped_longest) == (3, 25)
    assert found.clipped_at_s == 200_000 / RATE_HZ


@pytest.mark.parametrize("frequency_hz", [20.0, 30.0, 50.0, 80.0, 1000.0, 11_025.0])
@pytest.mark.parametrize(("peak", "bits"), [(1.0, 16), (1.0, 24), (0.7, 16), (0.9, 8)])
def test_a_wave_that_just_touches_the_ceiling_is_not_clipped(frequency_hz, peak, bits):
    """A slow sine stays within a step of its top for many samples, but bends there without a kink."""
    steps = 2.0 ** (bits - 1)
    wave = peak * np.sin(2 * np.pi * frequency_hz * np.arange(4 * RATE_HZ) / RATE_HZ + 0.1)
    rounded = np.clip(np.round(wave * steps), -steps, steps - 1) / steps

    assert examined(np.stack([rounded, rounded], axis=1), bits=bits).clipped_runs == 0


def test_flat_stretches_below_the_maximum_are_music():
    """Equal samples at half of the file's maximum, as a square wave in a mix has them."""
    sound = music() * 0.5
    sound[50_000] = 0.9
    sound[100_000:100_050] = 0.45

    assert examined(sound).clipped_runs == 0


def test_flat_tops_of_a_quiet_start_do_not_count_once_it_gets_louder():
    sound = music() * 0.5
    for start in range(1000, 100_000, 1000):
        sound[start : start + 5] = 0.6
    early = examined(sound).clipped_runs
    sound[200_000] = 0.8

    assert early == 2 * 99
    assert examined(sound).clipped_runs == 0


def test_clipping_is_told_with_its_number_level_and_place():
    sound = np.clip(music() * 6.0, -0.98, 0.98)
    sound[4 * RATE_HZ : 4 * RATE_HZ + 200, 0] = 0.98
    found, said = examined(sound), warnings_of(sound)
    print(said[0])

    assert found.clipped_longest >= 200
    assert said[0] == (
        f"clipped: {found.clipped_runs} flat tops at -0.2 dBFS, the worst "
        f"({found.clipped_longest} samples) at 0:04.0; listen, and get a better copy if it crackles"
    )


def test_a_few_flat_tops_are_not_worth_a_word():
    sound = music() * 0.5
    for start in range(1000, 10_000, 1000):
        sound[start : start + 3, 0] = 0.6

    assert examined(sound).clipped_runs == 9
    assert warnings_of(sound) == ()


def test_samples_over_full_scale_are_counted_and_told():
    sound = music() * 5.5
    over = int(np.sum(np.abs(sound.astype(np.float32)) > 1.0))
    said = warnings_of(sound)
    print(said[0])

    assert over > 100
    assert examined(sound).samples_over == over
    assert said[0].startswith("true peak +")
    assert said[0].endswith(
        f"dBTP, {over:,} samples over full scale: players clip there, a mix made here does not"
    )


def test_a_true_peak_at_full_scale_is_common_and_not_told():
    """One of +0.9 dBTP without a sample over full scale: a quarter of the rate, between the samples."""
    time = np.arange(RATE_HZ * 4)
    for gain_db, told in ((0.9, False), (1.5, True)):
        peak = 10.0 ** (gain_db / 20.0)
        sound = np.repeat((peak * np.sin(np.pi / 2 * time + np.pi / 4))[:, None], 2, axis=1)
        sound *= np.sin(np.pi * time / time.size)[:, None] ** 0.25
        said = warnings_of(sound)
        print(gain_db, said)
        assert bool(said) == told
        if told:
            assert said == (
                "true peak +1.5 dBTP: lower it, or expect clipping in players and in lossy copies",
            )


def test_an_offset_is_measured_in_each_channel():
    sound = music()
    sound += [0.021, -0.001]
    found = examined(sound)

    error = np.abs(np.array(found.dc_offset) - sound.mean(axis=0)).max()
    print(f"offsets {found.dc_offset}, error {error:.2g} (bound 1e-8 of full scale: float32)")
    assert error <= 1e-8
    assert warnings_of(sound) == (
        f"DC offset of {100 * sound.mean(axis=0)[0]:.1f} % of full scale in the left channel: "
        "a highpass at 20 Hz removes it",
    )


@pytest.mark.parametrize(
    ("right_of", "correlation", "loss_db"),
    [
        (lambda left, other: left, 1.0, 0.0),
        (lambda left, other: other, 0.0, 3.01),
        (lambda left, other: -0.7 * left + 0.714143 * other, -0.7, 8.24),
        (lambda left, other: -left, -1.0, 100.0),
    ],
)
def test_correlation_and_loss_in_mono_are_those_of_the_channels(right_of, correlation, loss_db):
    """Channels of one power and correlation r lose 10 log10(2 / (1 + r)) dB, by arithmetic."""
    rng = np.random.default_rng(8)
    left, other = 0.1 * rng.standard_normal((2, 20 * RATE_HZ))
    found = examined(np.stack([left, right_of(left, other)], axis=1))
    print(
        f"{found.correlation:+.4f} (expected {correlation} +- 0.005), {found.mono_loss_db:.3f} dB ({loss_db})"
    )

    assert found.correlation == pytest.approx(correlation, abs=0.005)
    assert found.mono_loss_db == pytest.approx(loss_db, abs=0.06)


def test_channels_out_of_phase_are_told():
    sound = music()
    sound[:, 1] = -sound[:, 1]
    (said,) = warnings_of(sound)
    assert said.startswith("the channels are out of phase: in mono it loses ")
    assert said.endswith("is one of them turned over?")
    sound[:, 1] = -sound[:, 0]
    assert warnings_of(sound) == (
        "the channels cancel each other: in mono nothing is left; turn one of them over",
    )


@pytest.mark.parametrize(("channel", "name"), [(0, "left"), (1, "right")])
def test_a_silent_channel_is_told_as_that_alone(channel, name):
    sound = music()
    sound[:, channel] = 0.0005 * np.sin(np.arange(len(sound)))  # the hiss of an empty input
    found = examined(sound)

    assert found.silent_channel == name
    assert warnings_of(sound) == (f"the {name} channel is silent: make it mono, or get another copy",)


def test_a_channel_that_is_much_louder_is_told():
    sound = music()
    sound[:, 1] *= 10.0 ** (-7.0 / 20.0)
    found = examined(sound)

    print(f"balance {found.balance_db:.2f} dB (expected -7 +- 0.1: the noise differs)")
    assert found.balance_db == pytest.approx(-7.0, abs=0.1)
    assert warnings_of(sound) == (f"the left channel is {-found.balance_db:.1f} dB louder than the right",)


def test_two_equal_channels_are_known_but_not_complained_of():
    sound = music()
    sound[:, 1] = sound[:, 0]
    found = examined(sound)
    assert (found.same_channels, found.correlation, found.mono_loss_db) == (True, 1.0, 0.0)
    assert warnings_of(sound) == ()

    mono = examined(sound, mono=True)
    assert (mono.same_channels, mono.correlation, mono.mono_loss_db) == (False, 1.0, 0.0)
    assert len(mono.dc_offset) == 1
    sound[1000, 1] += 1e-6
    assert not examined(sound).same_channels


def test_faults_of_equal_channels_count_once():
    sound = np.clip(music() * 8.0, -1.0, 1.0)
    sound[:, 1] = sound[:, 0]

    assert examined(sound).clipped_runs == examined(sound, mono=True).clipped_runs > 100


def test_silence_before_inside_and_after_is_told():
    sound = np.concatenate(
        [
            np.zeros((round(3.2 * RATE_HZ), 2)),
            music(),
            np.zeros((RATE_HZ * 4, 2)),
            music(),
            np.zeros((RATE_HZ * 6, 2)),
        ]
    )
    sound[round(12.5 * RATE_HZ)] = 0.0009  # below -60 dBFS: still silence

    said = warnings_of(sound)
    print(said)
    assert said == (
        "3.2 s of silence before the first sound",
        "4.0 s of silence inside it, from 0:11.2",
        "6.0 s of silence after the last sound",
    )


def test_the_usual_pauses_are_not_told():
    sound = np.concatenate(
        [
            np.zeros((round(1.9 * RATE_HZ), 2)),
            music(),
            np.zeros((RATE_HZ * 2, 2)),
            music(),
            np.zeros((RATE_HZ * 4, 2)),
        ]
    )

    assert warnings_of(sound) == ()


def test_a_very_quiet_file_is_told_with_its_loudness():
    (said,) = warnings_of(music() * 0.05)

    assert said.startswith("very quiet: -") and "LUFS" in said


def test_few_bits_and_low_rates_are_told():
    """8 bits: 6.02 x 8 + 1.76 = 49.9 dB below a full-scale sine (the textbook formula)."""
    assert "8 bits a sample: expect noise at about -50 dBFS" in warnings_of(music(), bits=8)
    (said,) = warnings_of(music()[::2], rate_hz=22050)
    assert said == "sample rate 22050 Hz: nothing above 11.025 kHz in it"
    assert warnings_of(music()[:, :1].repeat(2, axis=1), rate_hz=32000, bits=16, mono=True) == ()


def test_ordinary_music_is_told_nothing_of():
    assert warnings_of(music()) == ()
    assert warnings_of(make_track(tempo_bpm=128.0, lead_s=0.5, tail_s=3.0).sound) == ()


def test_silence_has_no_correlation_and_no_fault():
    found = examined(np.zeros((RATE_HZ, 2)))

    assert found == Condition(dc_offset=(0.0, 0.0), same_channels=True)


@pytest.mark.parametrize("block_frames", [1, 997, 65536])
def test_nothing_depends_on_the_blocks(block_frames):
    sound = np.clip(music(1.0) * 7.0, -0.98, 1.1)
    sound[20_000:30_000] = 0.0
    whole = examined(sound, block_frames=len(sound))

    assert whole.clipped_runs and whole.samples_over and whole.gap_s
    assert examined(sound, block_frames=block_frames) == whole


def test_the_mono_signal_is_the_mean_of_the_channels():
    sound = music(1.0).astype(np.float32)
    mono = Examiner(sample_rate_hz=RATE_HZ).push(sound)

    assert mono.dtype == np.float32
    assert np.abs(mono - sound.mean(axis=1)).max() <= 2.0**-24


# --- tags -------------------------------------------------------------------------------------------------

FACTS = TrackFacts(
    content_hash="",
    duration_s=180.0,
    sample_rate_hz=RATE_HZ,
    channels=2,
    decoder="",
    grid=Grid("steady", tempo_bpm=124.0, bar_1_s=0.1),
    key="A minor",
    tags=FileTags(title="Ferry", artist="Quay"),
)


def tagged(**tags):
    return tag_warnings(dataclasses.replace(FACTS, tags=dataclasses.replace(FACTS.tags, **tags)))


@pytest.mark.parametrize("bpm", [124.0, 123.0, 125.2, 62.0, 248.0, 61.7, None])
def test_a_tag_with_the_measured_tempo_or_its_double_or_half_is_right(bpm):
    assert tagged(tempo_bpm=bpm) == ()


@pytest.mark.parametrize("bpm", [128.0, 122.5, 186.0, 82.67])
def test_a_tag_with_another_tempo_is_told(bpm):
    assert tagged(tempo_bpm=bpm) == (f"the tag says {bpm:g} BPM, measured 124.00",)


@pytest.mark.parametrize("key", ["A minor", "Am", "a minor", "Amin", None, "o", "?"])
def test_a_tag_with_the_found_key_or_none_that_is_a_name_is_no_matter(key):
    """ID3v2.4.0, TKEY: a note, `b` or `#`, `m` for minor; `o` for off key."""
    assert tagged(key=key) == ()


@pytest.mark.parametrize(("key", "name"), [("Cm", "C minor"), ("C", "C major"), ("Bbm", "Bb minor")])
def test_a_tag_with_another_key_is_told(key, name):
    assert tagged(key=key) == (f"the tag says {name}, found A minor",)


def test_without_grid_or_key_a_tag_cannot_be_wrong():
    facts = dataclasses.replace(
        FACTS, grid=Grid("none"), key=None, tags=FileTags("a", "b", tempo_bpm=99.0, key="C")
    )

    assert tag_warnings(facts) == ()


@pytest.mark.parametrize(
    ("tags", "missing"),
    [
        ({"title": None}, "title"),
        ({"artist": None}, "artist"),
        ({"title": None, "artist": None}, "title or artist"),
    ],
)
def test_missing_names_are_told(tags, missing):
    assert tagged(**tags) == (f"no {missing} in the tags: the plan can name them, for the list of tracks",)


def test_all_warnings_are_those_of_sound_and_tags():
    facts = dataclasses.replace(FACTS, warnings=("clipped",), tags=FileTags(title="Ferry"))

    assert all_warnings(facts) == ("clipped", *tag_warnings(facts))


# --- files ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def groove():
    return make_track(tempo_bpm=126.0, lead_s=0.3).sound[: 20 * RATE_HZ]


@pytest.mark.parametrize(
    "rate_hz", [8000, 11025, 16000, 22050, 32000, 44100, 48000, 88200, 96000, 176400, 192000]
)
def test_every_usual_rate_is_heard_alike(tmp_path, rate_hz):
    """A low tone reads as at 48 kHz, where the filter is the standard's own; its place is exact."""
    sound = late_tone(rate_hz)
    soundfile.write(tmp_path / "t.wav", sound, rate_hz, subtype="PCM_24")
    heard = listen(probe(tmp_path / "t.wav"))
    expected_lufs = measure_loudness(late_tone(48000), sample_rate_hz=48000).max_momentary_lufs

    apart_lu = heard.loudness.max_momentary_lufs - expected_lufs
    print(f"{rate_hz} Hz: {apart_lu:+.4f} LU (bound 0.05 LU)")
    assert abs(apart_lu) <= 0.05
    assert heard.first_sound_s == pytest.approx(0.5, abs=2.0 / rate_hz)
    assert heard.last_sound_s == pytest.approx(3.0, abs=2.0 / rate_hz)
    assert abs(heard.signal.size - 3 * 22050) <= 1
    assert np.std(heard.signal[22050:44100]) == pytest.approx(0.25 / np.sqrt(2), rel=0.002)


def late_tone(rate_hz):
    """A quarter of full scale at 250 Hz, from 0.5 to 3 s."""
    time_s = np.arange(3 * rate_hz) / rate_hz
    sound = 0.25 * np.cos(2 * np.pi * 250.0 * time_s) * (time_s >= 0.5)
    return np.stack([sound, sound], axis=1)


@pytest.mark.parametrize("rate_hz", [4000, 384000])
def test_a_rate_beyond_reason_is_refused_with_the_file_and_the_way_out(tmp_path, rate_hz):
    soundfile.write(tmp_path / "odd.wav", np.zeros((1000, 2)), rate_hz)

    with pytest.raises(AudioError, match=rf"odd\.wav: its sample rate is {rate_hz} Hz.*Convert it"):
        listen(probe(tmp_path / "odd.wav"))


@pytest.mark.parametrize(
    ("name", "subtype", "bits"),
    [
        ("a.wav", "PCM_U8", 8),
        ("a.wav", "PCM_16", 16),
        ("a.wav", "PCM_24", 24),
        ("a.wav", "PCM_32", 32),
        ("a.wav", "FLOAT", 32),
        ("a.wav", "DOUBLE", 64),
        ("a.flac", "PCM_16", 16),
        ("a.ogg", "VORBIS", None),
        ("a.mp3", "MPEG_LAYER_III", None),
    ],
)
def test_every_form_of_samples_is_heard_alike(tmp_path, name, subtype, bits):
    """Music without the highest octave, of which lossy coders leave some out."""
    path, sound = tmp_path / name, music(20.0)
    with soundfile.SoundFile(path, "w", RATE_HZ, 2, subtype=subtype) as file:
        # In pieces: libsndfile 1.2.2 can crash on a Vorbis file that is written at one go.
        for start in range(0, len(sound), 4096):
            file.write(sound[start : start + 4096])
    heard, exact = listen(probe(path)), measure_loudness(sound, sample_rate_hz=RATE_HZ).integrated_lufs

    apart_lu = heard.loudness.integrated_lufs - exact
    print(f"{name} {subtype}: {apart_lu:+.4f} LU (bound 0.1 LU, that of EBU Tech 3341)")
    assert heard.condition.bits == bits
    assert abs(apart_lu) <= 0.1


def encoded(sound, path, *options):
    """A file that ffmpeg encodes by its name from 16 bits."""
    source = path.with_suffix(".source.wav")
    soundfile.write(source, sound, RATE_HZ, subtype="PCM_16")
    command = [str(programs.ffmpeg()), "-v", "error", "-y", "-i", str(source), *options, str(path)]
    subprocess.run(command, check=True, timeout=60)
    return probe(path)


@pytest.mark.parametrize("name", ["hot.mp3", "hot.m4a", "hot.ogg"])
def test_in_a_lossy_copy_clipping_shows_as_samples_over_full_scale(tmp_path, name):
    """The coder's noise bends flat tops and lifts some of them over the edge, on a decoder that lets them."""
    sound = np.clip(music(5.0) * 5.5, -1.0, 1.0)
    options = () if name.endswith("m4a") else ("-q:a", "5")
    found = listen(encoded(sound, tmp_path / name, *options)).condition

    print(
        f"{name}: {found.clipped_runs} flat tops of {examined(sound).clipped_runs}, {found.samples_over} over"
    )
    assert examined(sound).clipped_runs > 1000
    assert found.clipped_runs < 0.05 * examined(sound).clipped_runs
    assert found.samples_over > 1000


@pytest.mark.parametrize(("options", "late_frames"), [((), 0), (("-write_xing", "0"), 1105)])
def test_an_mp3_without_its_info_tag_lies_later_by_the_encoder_delay(tmp_path, options, late_frames):
    """LAME's delay of 576 samples and the decoder's of 529 (LAME's technical FAQ, from memory).

    Times of the facts are those of the decoded file, so they lie later with it.
    """
    sound = np.zeros((2 * RATE_HZ, 2))
    sound[RATE_HZ:] = music(1.0)
    sound[RATE_HZ : RATE_HZ + 200] *= 3.0
    heard = listen(encoded(sound, tmp_path / "t.mp3", "-b:a", "320k", *options))
    exact, found = (np.flatnonzero(np.abs(x) > 0.1)[0] for x in (sound.mean(axis=1)[::2], heard.signal))

    print(f"{2 * (found - exact)} frames late (expected {late_frames} +- 20)")
    assert abs(2 * (found - exact) - late_frames) <= 20


def test_8_bits_are_told_and_their_steps_are_no_clipping(tmp_path):
    sound = music(5.0) * 3.0
    soundfile.write(tmp_path / "e.wav", sound / np.abs(sound).max() * 0.9, RATE_HZ, subtype="PCM_U8")
    facts = measure(probe(tmp_path / "e.wav"))

    assert [w for w in facts.warnings if "bits" in w] == ["8 bits a sample: expect noise at about -50 dBFS"]
    assert facts.condition.clipped_runs == 0


def test_a_mono_file_reads_as_it_sounds_in_a_mix(tmp_path, groove):
    soundfile.write(tmp_path / "m.wav", groove[:, 0], RATE_HZ, subtype="FLOAT")
    soundfile.write(tmp_path / "s.wav", groove[:, [0, 0]], RATE_HZ, subtype="FLOAT")
    mono, stereo = (measure(probe(tmp_path / name)) for name in ("m.wav", "s.wav"))

    assert mono.loudness == stereo.loudness
    assert mono.grid == stereo.grid
    assert (mono.condition.same_channels, stereo.condition.same_channels) == (False, True)
    assert mono.warnings == stereo.warnings


def test_a_file_with_one_sound_at_its_end_has_facts(tmp_path):
    sound = np.zeros((20 * RATE_HZ, 2))
    sound[-2000:] = music(1.0)[:2000]
    soundfile.write(tmp_path / "end.wav", sound, RATE_HZ)
    facts = measure(probe(tmp_path / "end.wav"))

    print(facts.first_sound_s, facts.warnings, facts.doubts)
    assert facts.first_sound_s == pytest.approx(20.0 - 2000 / RATE_HZ, abs=0.001)
    assert "20.0 s of silence before the first sound" in facts.warnings
    assert facts.last_sound_s == 20.0


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_samples_that_are_no_numbers_end_the_analysis_with_one_message(tmp_path, value):
    sound = music(3.0)
    sound[2 * RATE_HZ, 1] = value
    soundfile.write(tmp_path / "n.wav", sound, RATE_HZ, subtype="FLOAT")

    with pytest.raises(InputError, match=r"n\.wav: it holds samples that are not numbers .* at 0:02\.0"):
        measure(probe(tmp_path / "n.wav"))


def test_a_recorded_mix_gets_its_loudness_but_no_grid(tmp_path, groove, monkeypatch):
    monkeypatch.setattr("mixrender.analysis.listen.LONGEST_TRACK_S", 15.0)
    soundfile.write(tmp_path / "mix.flac", groove, RATE_HZ)
    done = []
    facts = measure(probe(tmp_path / "mix.flac"), advance=done.append)

    assert facts.grid.kind == "none"
    assert facts.key is None
    assert facts.loudness.integrated_lufs is not None
    assert facts.warnings[0].startswith("longer than 30 minutes (0:20.0), so taken for a recorded mix")
    assert sum(done) == pytest.approx(1.0, abs=0.01)


def test_facts_hold_condition_and_the_loudness_of_sections_and_bars(tmp_path):
    track = make_track(tempo_bpm=128.0, lead_s=0.5, tail_s=3.0)
    soundfile.write(tmp_path / "t.wav", track.sound, RATE_HZ)
    facts = measure(probe(tmp_path / "t.wav"))

    by_bar = dict(zip(range(1, 200), facts.bars.level_lufs, strict=False))
    for section, after in zip(facts.sections, facts.sections[1:], strict=False):
        bars = [by_bar[bar] for bar in range(section.bar, after.bar)]
        print(section.bar, section.integrated_lufs, min(bars), max(bars))
        assert min(bars) - 0.5 <= section.integrated_lufs <= max(bars) + 0.5
    assert len(by_bar) == int((facts.duration_s - facts.grid.bar_1_s) * 128.0 / 240.0)
    assert facts.condition.dc_offset != ()
    assert facts.loudness != Loudness(duration_s=facts.duration_s)

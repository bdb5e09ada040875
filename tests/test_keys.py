"""Names and relations of keys."""

import mir_eval.key
import pytest

from mixrender.keys import (
    Key,
    described,
    fifths_distance,
    fitting_shift,
    notes_in_common,
    parse_key,
    relation,
)

ALL_KEYS = [Key(tonic, mode) for tonic in range(12) for mode in ("major", "minor")]


@pytest.mark.parametrize(
    ("text", "tonic", "mode", "shown"),
    [
        ("A minor", 9, "minor", "A minor"),
        ("F# minor", 6, "minor", "F# minor"),
        ("gb MINOR", 6, "minor", "F# minor"),
        ("Bb major", 10, "major", "Bb major"),
        ("A# Major", 10, "major", "Bb major"),
        ("  d♭ major ", 1, "major", "Db major"),
        ("C# minor", 1, "minor", "C# minor"),
        ("Fb minor", 4, "minor", "E minor"),
        ("Cb major", 11, "major", "B major"),
        ("b minor", 11, "minor", "B minor"),
        ("bb minor", 10, "minor", "Bb minor"),
    ],
)
def test_a_key_name_is_read_and_spelled_conventionally(text, tonic, mode, shown):
    key = parse_key(text)

    assert key == Key(tonic, mode)
    assert str(key) == shown


@pytest.mark.parametrize("text", ["", "H minor", "A", "A dorian", "Am", "minor A", "A## minor", "A-minor"])
def test_what_is_no_key_is_refused_with_what_is_allowed(text):
    with pytest.raises(ValueError, match=r"write a note from A to G.*'major' or 'minor'.*'A minor'"):
        parse_key(text)


def test_a_key_outside_the_twelve_tones_is_refused():
    with pytest.raises(ValueError, match="0 \\(C\\) to 11"):
        Key(12, "major")


@pytest.mark.parametrize("key", ALL_KEYS, ids=str)
def test_every_key_reads_back_from_its_own_name(key):
    assert parse_key(str(key)) == key


@pytest.mark.parametrize(
    ("a", "b", "words", "steps"),
    [
        ("C major", "C major", "same key", 0),
        ("C# major", "Db major", "same key", 0),
        ("C major", "A minor", "relative", 0),
        ("A minor", "C major", "relative", 0),
        ("C major", "G major", "a fifth up", 1),
        ("C major", "F major", "a fifth down", 1),
        ("A minor", "E minor", "a fifth up", 1),
        ("A minor", "D minor", "a fifth down", 1),
        ("A minor", "G major", "a fifth apart", 1),
        ("C major", "C minor", "parallel", 3),
        ("A minor", "A major", "parallel", 3),
        ("C major", "Eb major", "3 fifths apart", 3),
        ("A minor", "B minor", "2 fifths apart", 2),
        ("C major", "F# major", "6 fifths apart", 6),
        ("C major", "Db major", "5 fifths apart", 5),
    ],
)
def test_two_keys_relate_in_words(a, b, words, steps):
    first, second = parse_key(a), parse_key(b)

    assert relation(first, second) == words
    assert fifths_distance(first, second) == steps


def _scale(key: Key) -> set[int]:
    steps = (0, 2, 4, 5, 7, 9, 11) if key.mode == "major" else (0, 2, 3, 5, 7, 8, 10)
    return {(key.tonic + step) % 12 for step in steps}


def test_scales_share_seven_notes_less_one_for_each_fifth():
    # Common practice, no source: keys a fifth apart share 6 of 7 notes, two fifths 5, a tritone 2.
    for a in ALL_KEYS:
        for b in ALL_KEYS:
            shared = len(_scale(a) & _scale(b))

            assert shared == max(7 - fifths_distance(a, b), 2), (a, b)
            assert shared == notes_in_common(a, b), (a, b)


@pytest.mark.parametrize(
    ("key", "related"),
    [
        # Da Capo al Coda, "Closely related keys" (dacapoalcoda.com/closely-related-keys), both its examples.
        ("C major", ["G major", "F major", "E minor", "A minor", "D minor"]),
        ("Bb major", ["F major", "Eb major", "D minor", "G minor", "C minor"]),
        # The table of closely related keys at profound-advices.com/which-keys-are-the-same.
        ("Ab major", ["F minor", "Db major", "Eb major", "Bb minor", "C minor"]),
        ("Eb major", ["C minor", "Ab major", "Bb major", "F minor", "G minor"]),
        ("F major", ["D minor", "Bb major", "C major", "G minor", "A minor"]),
        # The same page: one step on the circle of fifths each way, and the relative minors of all three.
        ("D major", ["G major", "A major", "B minor", "E minor", "F# minor"]),
    ],
)
def test_the_five_closely_related_keys_are_those_at_most_a_fifth_away(key, related):
    home = parse_key(key)

    near = {str(other) for other in ALL_KEYS if other != home and fifths_distance(home, other) <= 1}
    assert near == set(related)
    assert all(fitting_shift(home, parse_key(other)) == 0 for other in related)


@pytest.mark.parametrize(
    ("a", "b", "words"),
    [
        ("A minor", "A minor", "same key"),
        ("A minor", "C major", "relative, 7 notes in common"),
        ("A minor", "E minor", "a fifth up, 6 notes in common"),
        ("A minor", "B minor", "2 fifths apart, 5 notes in common"),
        ("A minor", "A major", "parallel, 4 notes in common"),
        ("C major", "F# major", "6 fifths apart, 2 notes in common"),
    ],
)
def test_a_relation_says_how_many_notes_are_shared(a, b, words):
    assert described(parse_key(a), parse_key(b)) == words


@pytest.mark.parametrize(
    ("a", "b", "semitones"),
    [
        ("A minor", "A minor", 0),
        ("A minor", "C major", 0),
        ("A minor", "D minor", 0),
        ("A minor", "Bb minor", -1),  # to A minor, the same key
        ("A minor", "G# minor", 1),
        ("A minor", "B minor", -2),
        ("A minor", "Eb minor", 1),  # to E minor; D minor is as near
        ("C major", "Eb major", 2),  # to F major; Db major, 2 down, is 5 fifths off
    ],
)
def test_the_smallest_shift_that_makes_two_keys_fit(a, b, semitones):
    assert fitting_shift(parse_key(a), parse_key(b)) == semitones


def test_two_semitones_make_any_two_keys_fit_and_no_smaller_shift_does():
    # By trial over the scales themselves: 6 notes of 7 or all must be the same.
    for a in ALL_KEYS:
        for b in ALL_KEYS:
            shift = fitting_shift(a, b)
            fits = [n for n in range(-6, 7) if len(_scale(a) & _scale(b.transposed(semitones=n))) >= 6]

            assert shift in fits, (a, b)
            assert abs(shift) == min(abs(n) for n in fits) <= 2, (a, b)


def test_the_words_agree_with_the_published_key_scores():
    # mir_eval 0.8 `key.weighted_score`, the score of the MIREX audio key detection task.
    expected = {"same key": 1.0, "a fifth up": 0.5, "a fifth down": 0.5, "relative": 0.3, "parallel": 0.2}
    for a in ALL_KEYS:
        for b in ALL_KEYS:
            # The score knows fifths upwards only, so both directions are asked.
            score = max(mir_eval.key.weighted_score(str(x), str(y)) for x, y in ((a, b), (b, a)))

            assert score == expected.get(relation(a, b), 0.0), (a, b)


@pytest.mark.parametrize("key", ALL_KEYS, ids=str)
def test_twelve_semitones_lead_back_and_seven_are_a_fifth_up(key):
    assert key.transposed(semitones=12) == key
    assert relation(key, key.transposed(semitones=7)) == "a fifth up"

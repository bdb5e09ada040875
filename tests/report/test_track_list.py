"""Columns of the list of tracks: what they hold, what people see, how they sort; CSV as RFC 4180 has it."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest

from mixrender.analysis.store import KeptTrack
from mixrender.analysis.summary import TrackSummary
from mixrender.errors import InputError
from mixrender.facts import Confidence, Doubt, FileTags
from mixrender.report.track_columns import COLUMNS, column_named, columns_named, in_order_of
from mixrender.report.track_list import list_csv, list_document, list_table

SURE = Confidence(tempo=0.99, beats=0.95, bar_1=0.9, key=0.8)


def track(name: str = "a.flac", *, tags: FileTags | None = None, **summary: object) -> KeptTrack:
    fields = {"duration_s": 200.04, "grid": "steady", "tempo_bpm": 124.0, "confidence": SURE} | summary
    return KeptTrack(Path("/music") / name, tags or FileTags(), TrackSummary(**fields))


UNKNOWN = KeptTrack(Path("/music/unknown.flac"), FileTags(), None)


def shown(kept: KeptTrack, name: str) -> str:
    (cell,) = list_table([kept], [column_named(name)]).columns[0].cells
    return str(cell)


def values(kept: list[KeptTrack], name: str) -> list[object]:
    return [column_named(name).value(one) for one in kept]


@pytest.mark.parametrize(
    ("kept", "words"),
    [
        (track(), "yes"),
        (track(confidence=Confidence(tempo=0.5, beats=0.95)), "tempo?"),
        (track(confidence=Confidence(tempo=0.99, beats=0.5)), "beats?"),
        (track(doubts=(Doubt("key", "may be C"), Doubt("bar 1", "may be 2 beats off"))), "bar 1? key?"),
        (track(grid="none", tempo_bpm=None, confidence=Confidence()), "no beat"),
        (UNKNOWN, "not analysed"),
    ],
)
def test_the_column_sure_says_yes_or_what_to_look_at(kept, words):
    assert shown(kept, "sure") == words


@pytest.mark.parametrize(
    ("changes", "words"), [({}, ""), ({"corrections": 2}, "corrected"), ({"locked": True}, "locked")]
)
def test_what_was_done_by_hand_is_shown(changes, words):
    kept = KeptTrack(Path("/a"), FileTags(), None, **changes)

    assert shown(kept, "by-hand") == words


def test_people_see_figures_with_their_units_and_dashes_for_what_is_not_known():
    table = list_table([track(key="A minor", integrated_lufs=-9.46), UNKNOWN], COLUMNS[:10])
    rows = [[str(cell) for cell in row] for row in zip(*(c.cells for c in table.columns), strict=True)]

    assert [str(column.header) for column in table.columns][3:7] == ["BPM", "key", "length", "I LUFS"]
    assert rows[0] == ["a.flac", "", "", "124.00", "A minor", "3:20.0", "-9.5", "steady", "yes", ""]
    assert rows[1] == ["unknown.flac", "", "", "–", "–", "–", "–", "–", "not analysed", ""]


def test_a_file_that_is_missing_is_marked_in_the_table_alone():
    kept = KeptTrack(Path("/music/a.flac"), FileTags(), None, is_missing=True)

    assert (shown(kept, "track"), shown(kept, "file")) == ("a.flac (missing)", "/music/a.flac (missing)")
    assert shown(kept, "missing") == "missing"
    assert values([kept], "track") == ["a.flac"]


# --- the order -------------------------------------------------------------------------------------------


def test_keys_go_along_the_circle_of_fifths_with_relative_keys_beside_each_other():
    keys = ["F major", "A minor", None, "G major", "D minor", "C major", "E minor", "Bb minor"]
    kept = [track(key=key) for key in keys]
    found = values(in_order_of(column_named("key"), kept, is_reversed=False), "key")

    # From C on, a fifth up each: 0 C, 1 G, 7 Db, 11 F, minor keys at their relative major.
    assert found == [
        "C major", "A minor", "G major", "E minor", "Bb minor", "F major", "D minor", None
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("is_reversed", "order"), [(False, [62.0, 124.0, 174.0]), (True, [174.0, 124.0, 62.0])]
)
def test_what_is_not_known_comes_last_in_either_direction(is_reversed, order):
    kept = [UNKNOWN, *(track(tempo_bpm=tempo) for tempo in (124.0, 62.0, 174.0)), UNKNOWN]

    found = values(in_order_of(column_named("tempo"), kept, is_reversed=is_reversed), "tempo")
    assert found == [*order, None, None]


def test_words_sort_without_regard_to_capitals_and_equal_ones_stay_in_order():
    artists = ["quay", "Élan", "Anchor", "Quay", None, "anchor"]
    kept = [track(f"{i}.flac", tags=FileTags(artist=artist)) for i, artist in enumerate(artists)]

    found = in_order_of(column_named("artist"), kept, is_reversed=False)
    assert [one.path.name for one in found] == ["2.flac", "5.flac", "0.flac", "3.flac", "1.flac", "4.flac"]


def test_the_sure_come_first_and_those_without_a_beat_last():
    doubted = track(doubts=(Doubt("bar 1", ""), Doubt("key", "")))
    kept = [track(grid="none"), doubted, track(doubts=(Doubt("key", ""),)), track()]

    found = values(in_order_of(column_named("sure"), kept, is_reversed=False), "sure")
    assert found == ["yes", "key?", "bar 1? key?", "no beat"]


@pytest.mark.parametrize("column", COLUMNS, ids=lambda column: column.name)
def test_every_column_can_be_shown_and_sorted_by(column):
    kept = [UNKNOWN, track(key="A minor", tags=FileTags("t", "a", "b", "c", "d", 3.0, "C major")), track()]

    assert len(in_order_of(column, kept, is_reversed=True)) == 3
    assert list_table(kept, [column]).row_count == 3
    assert list_csv(kept, [column]).startswith(f"{column.field}\r\n")


def test_columns_are_named_with_commas_in_any_order():
    assert [column.name for column in columns_named("key, TEMPO,track")] == ["key", "tempo", "track"]
    assert columns_named(None) == COLUMNS


@pytest.mark.parametrize("names", ["tempi", "key,tempi", "tempi,key"])
def test_a_column_that_there_is_not_is_a_fault_with_those_that_there_are(names):
    with pytest.raises(InputError, match=r"no column 'tempi'; the columns are: track, .*file\. Did.*'tempo'"):
        columns_named(names)


# --- other forms -----------------------------------------------------------------------------------------


def test_csv_has_units_in_its_names_and_quotes_what_would_break_it():
    tags = FileTags(title='Ferry, "dub"', artist="Quay\nCollective")
    kept = [track("a,b.flac", tags=tags, key="A minor", integrated_lufs=-9.46), UNKNOWN]
    text = list_csv(kept, columns_named("file,title,artist,tempo,length,loudness,missing"))

    # RFC 4180 section 2: CRLF ends a line; fields with commas, quotes or breaks are quoted, quotes doubled.
    assert text == (
        "file,title,artist,tempo_bpm,duration_s,integrated_lufs,missing\r\n"
        '"/music/a,b.flac","Ferry, ""dub""","Quay\nCollective",124.0,200.04,-9.46,no\r\n'
        "/music/unknown.flac,,,,,,no\r\n"
    )
    assert list(csv.reader(io.StringIO(text, newline="")))[1][1:3] == [tags.title, tags.artist]


def test_csv_of_nothing_is_the_line_of_names():
    assert list_csv([], columns_named("track,key")) == "name,key\r\n"


def test_json_holds_every_column_what_is_in_doubt_and_null_for_what_is_not_known():
    kept = [track(doubts=(Doubt("bar 1", "bar 1 may be 2 beats off"),), key="A minor"), UNKNOWN]
    first, second = list_document(kept)["tracks"]

    assert set(first) >= {column.field for column in COLUMNS}
    assert (first["file"], first["tempo_bpm"], first["missing"]) == ("/music/a.flac", 124.0, False)
    assert (first["in_doubt"], first["doubts"]) == (["bar 1"], ["bar 1 may be 2 beats off"])
    assert (second["tempo_bpm"], second["sure"], second["in_doubt"]) == (None, None, [])

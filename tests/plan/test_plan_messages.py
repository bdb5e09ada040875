"""Every fault of the plans in data/bad is reported, at its place, in the words that stand beside it.

The expected messages were printed once and then read, line by line, against the rules of the language.
"""

from pathlib import Path

import pytest

from mixrender.errors import InputError, PlanError
from mixrender.plan.load import load_plan, parse_plan
from mixrender.plan.source import MAX_CHARACTERS, MAX_DEPTH, MAX_NODES

DATA = Path(__file__).parent / "data"
BAD = sorted((DATA / "bad").glob("*.yaml"))
FILES = (
    "a.wav",
    "b.wav",
    "c.wav",
    "d.wav",
    "e.wav",
    "ferry.flac",
    "lantern.flac",
    "ferry.wav",
    "a/x.wav",
    "b/x.wav",
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    root = tmp_path_factory.mktemp("plans")
    for name in FILES:
        (root / name).parent.mkdir(exist_ok=True)
        (root / name).touch()
    return root


def problems_of(text, folder):
    plan = folder / "mix.yaml"
    plan.write_text(text, encoding="utf-8")
    with pytest.raises(PlanError) as caught:
        load_plan(plan)
    for problem in caught.value.problems:
        assert problem.file == plan
        assert problem.severity == "error"
    return [
        f"{p.line}:{p.column}: {p.path}: {p.message}".replace(f"{folder}/", "") for p in caught.value.problems
    ]


@pytest.mark.parametrize("plan", BAD, ids=lambda path: path.stem)
def test_bad_plan_is_refused_with_every_expected_message(plan, folder):
    expected = plan.with_suffix(".expected.txt").read_text(encoding="utf-8").splitlines()

    assert expected == problems_of(plan.read_text(encoding="utf-8"), folder)


def test_messages_name_nothing_of_the_libraries_beneath(folder):
    for plan in BAD:
        for line in problems_of(plan.read_text(encoding="utf-8"), folder):
            for word in (
                "pydantic",
                "https://",
                "Input should",
                "Value error",
                "ruamel",
                "<unicode string>",
                "_bpm",
            ):
                assert word not in line


def test_missing_plan_file_is_an_input_error(tmp_path):
    with pytest.raises(InputError, match="there is no such plan file"):
        load_plan(tmp_path / "none.yaml")


def test_folder_in_place_of_a_plan_is_an_input_error(tmp_path):
    with pytest.raises(InputError, match="this is a folder; name the plan file in it"):
        load_plan(tmp_path)


def test_plan_in_another_encoding_is_refused_at_the_first_byte_that_is_not_utf_8(tmp_path):
    plan = tmp_path / "mix.yaml"
    plan.write_bytes("title: x\nartist: Café\n".encode("latin-1"))
    with pytest.raises(PlanError, match="not written in UTF-8") as caught:
        load_plan(plan)

    assert (caught.value.problems[0].line, caught.value.problems[0].column) == (2, 12)


def test_byte_order_mark_and_windows_line_ends_are_read(folder):
    plan = folder / "marked.yaml"
    plan.write_bytes(b"\xef\xbb\xbftitle: x\r\ntracks: [a.wav]\r\n")

    assert load_plan(plan).title == "x"


def test_missing_file_suggests_the_nearest_name_in_its_folder(folder):
    assert problems_of("tracks: [ferrry.flac]", folder) == [
        "1:10: tracks.ferrry.file: `ferrry.flac` does not exist (did you mean `ferry.flac`?)"
    ]


def test_folder_as_a_track_is_refused(folder):
    assert problems_of("tracks: [a]", folder) == ["1:10: tracks.a.file: `a` is a folder; write a file"]


def test_fault_in_one_place_does_not_hide_a_missing_file_in_another(folder):
    lines = problems_of("tempo: 126\ntracks: {one: a.wav, two: nothing.mp3}", folder)

    assert lines == [
        "1:8: tempo: found `126` without a unit; write `126 BPM`",
        "2:27: tracks.two.file: `nothing.mp3` does not exist",
    ]


def test_fault_in_cues_does_not_make_positions_that_use_them_faulty(folder):
    tracks = "tracks: {one: {file: a.wav, cues: {drop: x}}, two: b.wav}\n"
    text = tracks + "transitions: [{from: one, to: two, leave: drop}]"

    assert len(problems_of(text, folder)) == 1


def test_warnings_are_kept_and_do_not_refuse_the_plan(folder):
    plan = folder / "warned.yaml"
    plan.write_text(
        "tracks: [a.wav, b.wav]\ntransitions: [{from: a, to: b, count: half, beatmatch: false}]\n"
    )
    warnings = load_plan(plan).warnings

    assert [(w.severity, w.line, w.column, w.path) for w in warnings] == [
        ("warning", 2, 39, "transitions[1].count")
    ]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a: " + "[" * (MAX_DEPTH + 1), "nested more than"),
        ("a: " + "{b: " * 100_000, "nested more than"),
        (
            "a: &x0 [y, y]\n" + "".join(f"b{i}: &x{i + 1} [*x{i}, *x{i}]\n" for i in range(20)),
            f"{MAX_NODES:,} values",
        ),
        ("#" * (MAX_CHARACTERS + 1), "characters; no mix needs that"),
        ("a: &x [*x]", "does not stand before"),
    ],
    ids=["depth", "great-depth", "aliases-of-aliases", "length", "alias-of-itself"],
)
def test_hostile_files_are_refused_early(text, message):
    with pytest.raises(PlanError, match=message):
        parse_plan(text)

"""Any lanes are the same after they are printed and read; recipes of one's own keep inside of any overlap."""

import math

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lane_times import assert_inside

from mixrender.plan.controls import CONTROLS, EFFECTS, EVENTS
from mixrender.plan.lanes import LanePoint
from mixrender.plan.load import parse_plan
from mixrender.plan.model import InPosition, Length
from mixrender.plan.plan_text import moves_text
from mixrender.plan.recipe_text import Recipe
from mixrender.plan.recipes import own_moves

quick = settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))


def numbers(low, high):
    """Numbers as people write them, and any others to nine decimals: what is less prints as nothing."""
    grid = st.integers(math.ceil(low * 32), math.floor(high * 32)).map(lambda n: n / 32)
    return grid | st.floats(low, high).map(lambda x: round(float(f"{x:.9g}"), 9) + 0.0).filter(
        lambda x: low <= x <= high
    )


positions = st.one_of(
    numbers(-64, 128).map(lambda bars: InPosition(bars=bars)),
    numbers(-64, 64).map(lambda bars: InPosition(from_end=True, bars=bars)),
    numbers(-64, 64).map(lambda bars: InPosition(from_middle=True, bars=bars)),
    numbers(0, 100).map(lambda percent: InPosition(percent=percent)),
)
bars_or_beats = numbers(1e-6, 64).flatmap(
    lambda amount: st.sampled_from([Length(bars=amount), Length(beats=amount)])
)
lengths = bars_or_beats | numbers(1e-6, 64).map(lambda seconds: Length(seconds=seconds))
times = st.none() | st.just("at once") | bars_or_beats


def values(control):
    quantity = CONTROLS[control].quantity
    return st.sampled_from(list(quantity.words.values()) or [quantity.minimum]) | numbers(
        quantity.minimum, quantity.maximum
    )


def points(control):
    return st.builds(
        lambda p, v, m: LanePoint(position=p, value=v, move=m), positions, values(control), times
    )


def lanes(control):
    several = st.lists(points(control), min_size=1, max_size=4, unique_by=lambda p: str(p.position))
    if control.split(".")[0] not in EFFECTS:
        return several.map(tuple)
    held = values(control).map(lambda value: (LanePoint(position=None, value=value),))
    return several.map(tuple) | held


def events():
    point = st.builds(lambda p, m: LanePoint(position=p, value=1.0, move=m), positions, lengths)
    return st.lists(point, min_size=1, max_size=3, unique_by=lambda p: str(p.position)).map(tuple)


LANES = {**{c: lanes(c) for c in CONTROLS}, **{e: events() for e in EVENTS}}
sides = st.lists(st.sampled_from(list(LANES)), max_size=4, unique=True).flatmap(
    lambda names: st.fixed_dictionaries({name: LANES[name] for name in names})
)


def flat(lane):
    """The numbers of a lane, to be compared within rounding, and the rest of it, to be compared as it is."""
    numbers_, rest = [], []
    for point in lane:
        for part in (point.position, point.move):
            for key, value in part.model_dump().items() if hasattr(part, "model_dump") else [("", part)]:
                is_number = isinstance(value, float)
                numbers_.append(value if is_number else 0.0)
                rest.append((key, None if is_number else value))
        numbers_.append(point.value)
    return numbers_, rest


def same(one, other):
    (numbers_1, rest_1), (numbers_2, rest_2) = flat(one), flat(other)
    close = (
        a == b or (math.isnan(a) and math.isnan(b)) or math.isclose(a, b, rel_tol=1e-8, abs_tol=1e-9)
        for a, b in zip(numbers_1, numbers_2, strict=True)
    )
    return rest_1 == rest_2 and all(close)


@given(sides, sides)
@quick
def test_any_moves_are_the_same_after_they_are_printed_and_read(outgoing, incoming):
    text = moves_text({"from": outgoing, "to": incoming}, {"from": "ferry", "to": "lantern"}, indent=4)
    plan = parse_plan(
        f"tracks: [ferry.flac, lantern.flac]\ntransitions:\n  - from: ferry\n    to: lantern\n{text}"
    )
    found = plan.transitions[0].moves

    for name, side in (("ferry", outgoing), ("lantern", incoming)):
        read = found.get(name, {})
        assert set(read) == set(side)
        for control, lane in side.items():
            assert same(lane, read[control]), (control, lane, read[control])


def raw(side):
    """Moves as a recipe of a plan holds them: texts by place, by control."""
    found = {}
    for control, lane in side.items():
        word, _, parameter = control.partition(".")
        if control in EVENTS:
            found[word] = {str(point.position): str(point.move) for point in lane}
            continue
        quantity = CONTROLS[control].quantity
        if lane[0].position is None:
            value = quantity.text(lane[0].value)
        else:
            value = {
                str(p.position): quantity.text(p.value)
                + ("" if p.move is None else " at once" if p.move == "at once" else f" in {p.move}")
                for p in lane
            }
        if word in EFFECTS:
            found.setdefault(word, {})[parameter or "amount"] = value
        else:
            found[word] = value
    return found


@given(sides, sides, numbers(0.25, 64), st.integers(1, 9))
@quick
def test_a_recipe_of_ones_own_stays_inside_any_overlap_and_its_moves_never_cross(
    outgoing, incoming, overlap_bars, beats_per_bar
):
    recipe = Recipe(from_moves=raw(outgoing), to_moves=raw(incoming))
    moves = own_moves(recipe, {}, overlap_bars=overlap_bars, beats_per_bar=beats_per_bar)

    for side, lanes_ in (("from", outgoing), ("to", incoming)):
        assert set(lanes_) - set(EVENTS) <= set(moves[side]) <= set(lanes_)
        assert all(moves[side].values())
        assert_inside(moves[side], overlap_bars, beats_per_bar)


def test_a_recipe_of_ones_own_does_nothing_over_a_cut():
    recipe = Recipe(from_moves={"level": {"0": "0 dB", "end": "silent"}})

    assert own_moves(recipe, {}, overlap_bars=0.0, beats_per_bar=4) == {"from": {}, "to": {}}


def test_an_event_that_begins_where_a_short_overlap_ends_is_left_out():
    recipe = Recipe(from_moves={"mute": {"0.5": "2 beats", "1": "2 beats"}, "reverse": {"2": "1 beat"}})

    moves = own_moves(recipe, {}, overlap_bars=1.0, beats_per_bar=4)["from"]

    assert list(moves) == ["mute"]
    assert [(p.position.bars, str(p.move)) for p in moves["mute"]] == [(0.5, "2 beats")]

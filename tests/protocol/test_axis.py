"""The axis by cross cylinder."""

from __future__ import annotations

import math
from itertools import pairwise
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from walking import apart, choice_of, cylinder_vector, exact, eye, heard, is_opposite, walk

from assistant.optics.lens import Lens
from assistant.protocol import plan
from assistant.protocol.meanings import Meaning
from assistant.protocol.questions import Choice
from assistant.protocol.steps.axis import Axis

lenses = st.builds(
    Lens,
    st.integers(-40, 40).map(lambda clicks: clicks * 25),
    st.integers(-32, -1).map(lambda clicks: clicks * 25),
    st.integers(1, 180),
)
steps = st.sampled_from((Axis.first, Axis.again))


@given(lenses, steps, st.sampled_from(("20/20", "20/100", None)))
def test_the_cross_cylinder_stands_astride_the_axis_and_is_flipped(lens: Lens, begin: type, line: str | None) -> None:
    """Straddle the axis; flip (common practice, no source). A flip is the opposite point of the circle in the
    J0/J45 plane (W.F. Harris, S Afr Optom 2007;66:41-55)."""
    at = eye(lens, line)
    asked = choice_of(begin(at), at)
    for side in (asked.first, asked.second):
        assert side.with_cross(None) == lens
        assert side.cross is not None
        assert apart(side.cross.minus_axis, lens.axis) == 45
    one, two = cylinder_vector(asked.first), cylinder_vector(asked.second)
    assert is_opposite(one, two)
    assert asked.first.cross is not None
    assert math.isclose(one.blur, asked.first.cross.power / 100)


@given(lenses, steps, st.sampled_from((Meaning.FIRST, Meaning.SECOND)))
def test_the_axis_turns_toward_the_minus_mark_of_the_preferred_side(lens: Lens, begin: type, side: Meaning) -> None:
    """Common practice, no source."""
    at = eye(lens)
    step = begin(at)
    asked = choice_of(step, at)
    preferred = (asked.first if side is Meaning.FIRST else asked.second).cross
    assert preferred is not None
    moved = step.answer(at, heard(side)).eye.lens
    assert (moved.sphere, moved.cylinder, moved.cross) == (lens.sphere, lens.cylinder, None)
    turned = apart(moved.axis, lens.axis)
    assert apart(moved.axis, preferred.minus_axis) == 45 - turned
    if begin is Axis.first:
        assert turned >= plan.useful_turn(lens.cylinder)


@pytest.mark.parametrize(("axis", "side"), [(175, 1), (3, -1), (180, 1), (1, -1), (172, 1)])
def test_turning_past_180_goes_on_from_the_other_end(axis: int, side: int) -> None:
    at = eye(Lens.of(-1, -2, axis))
    step = Axis.first(at)
    asked = choice_of(step, at)
    toward = [lens for lens in (asked.first, asked.second) if lens.cross and (lens.cross.minus_axis - axis) % 180 == 45]
    up = Meaning.FIRST if toward[0] is asked.first else Meaning.SECOND
    down = Meaning.SECOND if up is Meaning.FIRST else Meaning.FIRST
    moved = step.answer(at, heard(up if side > 0 else down)).eye.lens.axis
    assert 1 <= moved <= 180
    assert (side * (moved - axis)) % 180 == apart(moved, axis) > 0


@given(lenses, steps, st.lists(st.sampled_from((Meaning.FIRST, Meaning.SECOND)), min_size=30, max_size=30))
def test_turns_halve_at_a_reversal_and_never_grow(lens: Lens, begin: type, sides: list[Meaning]) -> None:
    """Large turns first, halving after each reversal (common practice, no source)."""
    at = eye(lens)
    step = begin(at)
    turns: list[int] = []
    for side in sides:
        if step.ask(at) is None:
            break
        move = step.answer(at, heard(side))
        turned = (move.eye.lens.axis - at.lens.axis + 90) % 180 - 90
        if turned:
            if turns:
                assert abs(turned) <= abs(turns[-1])
                if turned * turns[-1] < 0:
                    assert abs(turned) <= (abs(turns[-1]) + 1) // 2
            turns.append(turned)
        assert (move.eye.lens.sphere, move.eye.lens.cylinder) == (lens.sphere, lens.cylinder)
        step, at = move.step, move.eye


@pytest.mark.parametrize("meaning", [Meaning.SAME, Meaning.UNSURE])
@given(lenses, steps)
def test_equal_sides_never_turn_the_axis_and_end_the_step(meaning: Meaning, lens: Lens, begin: type) -> None:
    """Done when the two are equally good or equally bad (common practice, no source). A stronger cross cylinder
    may be shown first."""
    at = eye(lens)
    _, left, told = walk(begin(at), at, lambda question: heard(meaning))
    assert left.lens == lens
    assert len(told) <= 3
    powers = [asked.first.cross.power for asked, _ in told if isinstance(asked, Choice) and asked.first.cross]
    assert powers == sorted(powers)


@given(lenses, steps, st.randoms(use_true_random=False))
def test_any_answers_end_it(lens: Lens, begin: type, chance: Random) -> None:
    at = eye(lens)
    step = begin(at)
    most = 3 + plan.AXIS_ROUND // plan.AXIS_AGAIN_TURN + 2 * plan.AXIS_FIRST_TURN
    _, _, told = walk(step, at, lambda question: heard(chance.choice((Meaning.FIRST, Meaning.SECOND, Meaning.SAME))))
    assert len(told) <= most


@pytest.mark.parametrize("meaning", [Meaning.FIRST, Meaning.SECOND])
@given(lenses, steps)
def test_one_side_for_ever_ends_once_every_axis_was_passed(meaning: Meaning, lens: Lens, begin: type) -> None:
    """No axis is farther off than 90 degrees."""
    at = eye(lens)
    _, _, told = walk(begin(at), at, lambda question: heard(meaning))
    turned = sum(apart(move.eye.lens.axis, before.eye.lens.axis) for (_, before), (_, move) in pairwise(told))
    assert turned <= plan.AXIS_ROUND + 2 * plan.AXIS_FIRST_TURN


@given(st.integers(-24, -2), st.integers(1, 180), st.integers(-30, 30))
def test_an_exact_eye_is_left_within_the_axis_error_that_matters(clicks: int, axis: int, off: int) -> None:
    """The axis error that costs about 0.12 D (ANSI Z80.1-2015 axis tolerances); twice that after the first look."""
    truth = Lens(-100, clicks * 25, axis)
    at = eye(truth.with_axis(axis + off))
    _, at, _ = walk(Axis.first(at), at, exact(truth, same_below=1e-9))
    assert apart(at.lens.axis, axis) <= 2 * plan.useful_turn(truth.cylinder)
    _, at, _ = walk(Axis.again(at), at, exact(truth, same_below=1e-9))
    assert apart(at.lens.axis, axis) <= plan.useful_turn(truth.cylinder)


@pytest.mark.parametrize(
    ("cylinder", "degrees"),
    [(-25, 14), (-50, 7), (-75, 5), (-100, 3), (-150, 3), (-175, 2), (-300, 2), (-800, 2)],
)
def test_the_useful_turn_follows_the_tolerance_of_the_axis(cylinder: int, degrees: int) -> None:
    """ANSI Z80.1-2015: 14/7/5/3/2 degrees for cylinder to 0.25/0.50/0.75/1.50/above."""
    assert plan.useful_turn(cylinder) == degrees


def test_no_cylinder_no_axis() -> None:
    at = eye(Lens.of(-1, 0, 90))
    assert Axis.again(at).ask(at) is None


def test_a_dial_set_meanwhile_begins_the_step_anew_from_there() -> None:
    at = eye(Lens.of(-1, -2, 90))
    move = Axis.first(at).answer(at, heard(Meaning.FIRST))
    turned = move.eye.to(move.eye.lens.with_axis(20))
    asked = choice_of(move.step.rebased(turned), turned)
    assert asked.first.axis == 20
    assert asked.first.cross is not None
    assert apart(asked.first.cross.minus_axis, 20) == 45

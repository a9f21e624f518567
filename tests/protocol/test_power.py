"""The power of the cylinder, and the half of it that goes into the sphere."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from walking import choice_of, cylinder_vector, exact, eye, heard, is_opposite, walk

from assistant.optics.lens import Lens
from assistant.protocol import plan
from assistant.protocol.eye import EyeState, with_cylinder
from assistant.protocol.meanings import Meaning
from assistant.protocol.questions import Choice
from assistant.protocol.steps.base import Step
from assistant.protocol.steps.power import Power, PowerAgain

HALF_A_CLICK = 0.125  # dioptres

spheres = st.integers(-60, 60).map(lambda clicks: clicks * 25)
cylinders = st.integers(-32, 0).map(lambda clicks: clicks * 25)
lenses = st.builds(Lens, spheres, cylinders, st.integers(1, 180))
answers = st.sampled_from((Meaning.FIRST, Meaning.SECOND, Meaning.SAME, Meaning.UNSURE))


def begun(id: str, at: EyeState) -> Step:
    return Power.begin(at) if id == "power" else PowerAgain()


@given(lenses, cylinders)
def test_the_spherical_equivalent_holds_within_half_a_click(lens: Lens, cylinder: int) -> None:
    """For every 0.50 D of minus cylinder 0.25 D of plus goes into the sphere (common practice, no source)."""
    changed = with_cylinder(lens, cylinder)
    assert (changed.cylinder, changed.axis) == (cylinder, lens.axis)
    assert abs(changed.spherical_equivalent - lens.spherical_equivalent) <= HALF_A_CLICK
    if (cylinder - lens.cylinder) % 50 == 0:
        assert changed.spherical_equivalent == lens.spherical_equivalent
        assert changed.sphere - lens.sphere == (lens.cylinder - cylinder) / 2
    assert changed.sphere % 25 == 0


@given(lenses, st.lists(cylinders, min_size=1, max_size=8))
def test_half_clicks_do_not_add_up_over_many_changes(lens: Lens, on_the_way: list[int]) -> None:
    changed = lens
    for cylinder in (*on_the_way, lens.cylinder):
        changed = with_cylinder(changed, cylinder)
        assert abs(changed.spherical_equivalent - lens.spherical_equivalent) <= HALF_A_CLICK
    assert changed == lens


@given(lenses, st.sampled_from(("power", "power_again")), st.sampled_from(("20/20", "20/100")), st.lists(answers))
def test_any_answers_hold_the_spherical_equivalent_and_keep_to_the_dial(
    lens: Lens, id: str, line: str, given_answers: list[Meaning]
) -> None:
    at = eye(lens, line)
    step = begun(id, at)
    for meaning in given_answers:
        question = step.ask(at)
        if question is None:
            break
        assert isinstance(question, Choice)
        for shown in (question.first, question.second):
            assert abs(shown.spherical_equivalent - lens.spherical_equivalent) <= HALF_A_CLICK
            assert plan.CYLINDER_LOW <= shown.cylinder <= 0
            assert shown.axis == lens.axis
        move = step.answer(at, heard(meaning))
        assert move.eye.lens in (question.first.with_cross(None), question.second.with_cross(None))
        step, at = move.step, move.eye
    assert abs(at.lens.spherical_equivalent - lens.spherical_equivalent) <= HALF_A_CLICK


@pytest.mark.parametrize("sphere", [plan.SPHERE_HIGH, plan.SPHERE_HIGH - 25, plan.SPHERE_LOW, plan.SPHERE_LOW + 25])
@pytest.mark.parametrize("cylinder", [0, -25, -100, -775, -800])
@pytest.mark.parametrize("id", ["power", "power_again"])
@pytest.mark.parametrize("meaning", [Meaning.SECOND, Meaning.FIRST, Meaning.SAME])
def test_at_the_end_of_the_sphere_dial_no_lens_is_asked_for_that_it_has_not(
    sphere: int, cylinder: int, id: str, meaning: Meaning
) -> None:
    at = eye(Lens(sphere, cylinder, 90))
    _, left, told = walk(begun(id, at), at, lambda question: heard(meaning))
    shown = [lens for asked, _ in told if isinstance(asked, Choice) for lens in (asked.first, asked.second)]
    for lens in (*shown, left.lens):
        assert plan.SPHERE_LOW <= lens.sphere <= plan.SPHERE_HIGH


def test_more_and_more_cylinder_ends_at_the_end_of_the_dial_with_a_caution() -> None:
    at = eye(Lens.of(0, -6, 90))
    _, left, told = walk(Power.begin(at), at, lambda question: heard(Meaning.SECOND))
    # "Two" is always the new lens: the search comes back down when it has nowhere to go.
    lenses = [move.eye.lens.cylinder for _, move in told]
    assert min(lenses) == plan.CYLINDER_LOW
    flags = [flag for _, move in told for flag in move.flags]
    assert [flag.code for flag in flags][:1] == ["dial_end"]
    assert flags[0].facts["dial"] == "cylinder"
    assert left.lens.cylinder >= plan.CYLINDER_LOW


def test_half_dioptres_first() -> None:
    """Half-dioptre steps while "two" comes at once (common practice, no source)."""
    at = eye(Lens.of(-1, -1, 90))
    asked = choice_of(Power.begin(at), at)
    assert asked.first == at.lens
    assert asked.second.cylinder - asked.first.cylinder == -50


@pytest.mark.parametrize("meaning", [Meaning.SAME, Meaning.UNSURE])
@given(lenses)
def test_a_tie_goes_to_the_weaker_cylinder(meaning: Meaning, lens: Lens) -> None:
    """Patients tend to take more cylinder than they need (common practice, no source)."""
    at = eye(lens)
    step = Power.begin(at)
    question = step.ask(at)
    if question is None:  # nothing to offer: no cylinder and nothing on the dial beside it
        return
    asked = choice_of(step, at)
    after = step.answer(at, heard(meaning)).eye.lens
    assert after.cylinder == max(asked.first.cylinder, asked.second.cylinder)


def test_hesitation_ends_the_half_dioptre_steps() -> None:
    """The first hesitation ("um... two?") means the range is reached (common practice, no source); one may be
    a slow patient."""
    at = eye(Lens.of(0, -1, 90))
    _, sure, _ = walk(Power.begin(at), at, lambda question: heard(Meaning.SECOND))
    _, _, told = walk(Power.begin(at), at, lambda question: heard(Meaning.SECOND, hedged=True))
    assert len(told) == plan.HESITATIONS_IN_RANGE
    assert told[-1][1].eye.lens.cylinder > sure.lens.cylinder or sure.lens.cylinder > -800


@given(lenses.filter(lambda lens: lens.cylinder < 0))
def test_the_cross_cylinder_on_the_power_lies_on_the_axis_and_leaves_the_equivalent_alone(lens: Lens) -> None:
    """A flip is the opposite point (W.F. Harris, S Afr Optom 2007;66:41-55): more cylinder, or less."""
    at = eye(lens)
    asked = choice_of(PowerAgain(), at)
    assert asked.first.cross is not None
    assert asked.first.cross.minus_axis % 90 == lens.axis % 90
    assert is_opposite(cylinder_vector(asked.first), cylinder_vector(asked.second))
    strengths = [side.vector.astigmatism for side in (asked.first, asked.second)]
    added = asked.first.cross.power / 100
    assert math.isclose(max(strengths), lens.vector.astigmatism + added)
    # The side with the minus mark on the axis is the one with more cylinder.
    more = asked.first if asked.first.cross.minus_axis == lens.axis else asked.second
    assert math.isclose(more.vector.astigmatism, max(strengths))


@given(st.integers(1, 24), st.integers(1, 180))
def test_the_preferred_side_of_the_cross_cylinder_says_which_way_the_power_goes(clicks: int, axis: int) -> None:
    lens = Lens(-100, -clicks * 25, axis)
    at = eye(lens)
    asked = choice_of(PowerAgain(), at)
    for meaning, side in ((Meaning.FIRST, asked.first), (Meaning.SECOND, asked.second)):
        move = PowerAgain().answer(at, heard(meaning))
        offered = choice_of(move.step, move.eye).second
        more = side.cross is not None and side.cross.minus_axis == lens.axis
        assert (offered.cylinder < lens.cylinder) == more
        assert abs(offered.cylinder - lens.cylinder) == plan.POWER_FINEST


@settings(max_examples=60)
@given(st.integers(0, 16), st.integers(1, 12), st.integers(1, 180))
def test_an_exact_eye_gets_its_cylinder_within_a_quarter(true_clicks: int, from_clicks: int, axis: int) -> None:
    """Axis and spherical equivalent right: only the power is looked for."""
    truth = Lens(-100, -true_clicks * 25, axis)
    at = eye(with_cylinder(truth, -from_clicks * 25))
    _, at, _ = walk(Power.begin(at), at, exact(truth, same_below=0.0))
    if at.lens.cylinder:
        _, at, _ = walk(PowerAgain(), at, exact(truth, same_below=0.0))
    assert abs(at.lens.cylinder - truth.cylinder) <= 25


def test_a_dial_set_meanwhile_begins_the_steps_anew_from_there() -> None:
    at = eye(Lens.of(-1, -1, 90))
    for step in (Power.begin(at), PowerAgain()):
        move = step.answer(at, heard(Meaning.SECOND))
        turned = move.eye.to(move.eye.lens.with_cylinder(-300))
        asked = choice_of(move.step.rebased(turned), turned)
        assert asked.first.cylinder == -300

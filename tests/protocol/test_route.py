"""Which step follows which, and which are passed over."""

from __future__ import annotations

from dataclasses import replace
from itertools import chain

import pytest
from walking import eye

from assistant.grammar import wording
from assistant.optics.lens import Lens
from assistant.protocol import plan, route
from assistant.protocol.effects import Say
from assistant.protocol.eye import EyeState
from assistant.protocol.meanings import Speaker

NO_CYLINDER = Lens.of(-2)
QUARTER = Lens.of(-2, -0.25, 90)
HALF = Lens.of(-2, -0.5, 90)
STRONG = Lens.of(-2, -2, 90)


def after(step: str, at: EyeState) -> tuple[str | None, tuple[str, ...]]:
    _, following, passed = route.following(at, step)
    return (None if following is None else following.id), passed


def test_the_order_is_the_plans() -> None:
    assert [rule.id for rule in plan.EACH_EYE] == list(route.ORDER)
    assert len(set(route.ORDER)) == len(route.ORDER)


def test_every_step_says_what_it_does_when_it_ends_and_why() -> None:
    rules = (plan.SETTING_UP, plan.INTAKE, plan.EACH_EYE, plan.EYE_ENDS, plan.BOTH_EYES, plan.CLOSING)
    for rule in chain.from_iterable(rules):
        assert rule.does
        assert rule.ends
        assert wording.prompt(Say(Speaker.EXAMINER, "why", {"step": rule.id})) != "It is the next step of the protocol."


def test_entering_acuity_is_taken_first_unless_it_came_with_the_patient() -> None:
    """Entering acuity of each eye before a lens is touched (common practice, no source)."""
    assert route.first_step(eye(NO_CYLINDER)).id == "entering"
    assert route.first_step(eye(NO_CYLINDER, entering="20/60")).id == "sphere"


@pytest.mark.parametrize("lens", [NO_CYLINDER, QUARTER])
def test_astigmatism_is_looked_for_below_half_a_dioptre(lens: Lens) -> None:
    assert after("sphere", eye(lens)) == ("astigmatism", ())


@pytest.mark.parametrize("lens", [HALF, STRONG])
def test_astigmatism_is_passed_over_from_half_a_dioptre(lens: Lens) -> None:
    """Skip when the starting point already has 0.50 D or more (common practice, no source)."""
    assert after("sphere", eye(lens)) == ("axis", ("astigmatism",))


def test_without_a_cylinder_its_axis_and_power_are_passed_over() -> None:
    """None preferred: that eye's astigmatism is done (common practice, no source)."""
    following, passed = after("astigmatism", eye(NO_CYLINDER))
    assert following == "sphere_again"
    assert passed == ("axis", "power")
    following, passed = after("sphere_again", eye(NO_CYLINDER))
    assert following == "acuity"
    assert {"axis_again", "power_again"} == set(passed)


def test_axis_then_power() -> None:
    assert after("astigmatism", eye(HALF))[0] == "axis"
    assert after("axis", eye(HALF))[0] == "power"


@pytest.mark.parametrize(
    ("moved", "again"), [(0, False), (-25, False), (25, False), (-50, True), (50, True), (-150, True)]
)
def test_the_axis_is_refined_again_if_the_power_moved_by_half_a_dioptre(moved: int, again: bool) -> None:
    """Common practice, no source."""
    at = replace(eye(STRONG.with_cylinder(-200 + moved)), power_from=-200)
    at = replace(at, focus_from=at.lens.spherical_equivalent)
    following, passed = after("sphere_again", at)
    assert (following == "axis_again") == again
    assert ("axis_again" in passed) == (not again)


@pytest.mark.parametrize(
    ("line", "read_off", "passed"),
    [("20/60", 0, True), ("20/50", 50, True), ("20/60", 150, False), ("20/40", 0, False), ("20/20", 0, False)],
)
def test_no_quarters_of_an_eye_that_cannot_tell_them(line: str, read_off: int, passed: bool) -> None:
    """It just tells the denominator of its line in hundredths of a dioptre (common practice, no source); a poor line
    read through another lens says nothing of that. What is left open is asked well apart at the end instead."""
    read_through = STRONG.with_sphere(STRONG.sphere + read_off)
    at = replace(eye(STRONG), line=line, line_lens=read_through, power_from=0)
    _, following, over = route.following(at, "power", once=True)
    assert following is not None
    assert (following.id == "acuity") is passed
    assert (set(over) == route.AGAIN) is passed
    assert after("power", at)[0] == "sphere_again"  # where nothing is asked at the end, quarters are all there is


def test_acuity_comes_before_the_check_that_needs_the_best_line() -> None:
    order = list(route.ORDER)
    assert order.index("acuity") < order.index("over_minus")
    assert after("acuity", eye(HALF)) == ("over_minus", ())


def test_a_poor_line_sends_the_eye_back_once() -> None:
    poor = eye(HALF, "20/60")
    back, following, _ = route.following(poor, "acuity")
    assert following is not None
    assert following.id == "sphere"
    assert back.rounds == 1
    _, following, _ = route.following(back, "acuity")
    assert following is not None
    assert following.id != "sphere"


def test_a_check_that_moved_the_sphere_takes_the_acuity_once_more() -> None:
    still = eye(HALF)
    moved = still.to(HALF.with_sphere(-150))
    back, following, _ = route.following(moved, "over_minus")
    assert following is not None
    assert following.id == "acuity"
    assert after("acuity", back)[0] != "over_minus"  # and does not check again
    assert after("over_minus", still)[0] != "acuity"

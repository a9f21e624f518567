"""Balance of both eyes, the red-green check, and the last look at a cylinder: optional, and of no harm.

Fog by +0.75, plus to the clearer eye, only where the eyes see about alike; red clearer a quarter of minus, green a
quarter of plus, not below 20/30 (clinical procedures handbook, steps 34-40).
"""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random

import pytest
from foreign import ForeignPatient, Refraction, Rules, error, mixed, wide_eye
from sitting import STARTED, at_step, flags, prescription, sit

from assistant.grammar import wording
from assistant.optics.lens import Lens
from assistant.protocol import plan
from assistant.protocol.both import BothState
from assistant.protocol.effects import Ask, EyeResult, Say, ShowLens, Status, StepChange
from assistant.protocol.exam import Exam
from assistant.protocol.eye import EyeState
from assistant.protocol.instrument import CylinderSign, Instrument
from assistant.protocol.meanings import Heard, Meaning, Outcome
from assistant.protocol.questions import Choice, Eye
from assistant.protocol.start import Manner, Start
from assistant.protocol.steps.balance import Balance
from assistant.protocol.steps.cylinder_check import CylinderCheck
from assistant.protocol.steps.duochrome import Duochrome


def off(eye: Refraction, result: EyeResult) -> float:
    assert result.sphere is not None and result.cylinder is not None
    return math.hypot(*error(eye, result.sphere / 100, result.cylinder / 100, result.axis))


def heard(meaning: Meaning, value: str | None = None, hedged: bool = False) -> Heard:
    return Heard(str(meaning), Outcome.HEARD, meaning, value, hedged=hedged)


def pair(clicks: int = 3, dominant: Eye | None = None) -> BothState:
    lenses = {Eye.RIGHT: Lens.of(-1.0), Eye.LEFT: Lens.of(-2.0)}
    eyes = [EyeState(eye, lens, line="20/20", line_lens=lens, clicks=clicks) for eye, lens in lenses.items()]
    return BothState(*eyes, dominant=dominant)


def balanced(both: BothState, *meanings: Meaning | str) -> tuple[BothState, list[str]]:
    """The eyes after a balance with these answers, and the flags on the way."""
    step, raised = Balance(), []
    for said in meanings:
        assert step.ask(both) is not None
        answer = heard(said) if isinstance(said, Meaning) else heard(Meaning.SET_ACUITY, said)
        move = step.answer(both, answer)
        assert isinstance(move.step, Balance)
        step, both = move.step, move.both
        raised += [flag.code for flag in move.flags]
    assert step.ask(both) is None, "the balance was not over"
    return both, raised


ONE, TWO, SAME = Meaning.FIRST, Meaning.SECOND, Meaning.SAME


def spheres(both: BothState) -> tuple[int, int]:
    return both.right.lens.sphere, both.left.lens.sphere


def test_both_eyes_are_fogged_alike() -> None:
    question = Balance().ask(pair())
    assert isinstance(question, Choice) and question.eye is Eye.BOTH
    assert (question.first.sphere, question.second.sphere) == (-25, -125)
    assert plan.BALANCE_FOG == 75


def test_the_clearer_eye_gets_plus_where_it_sees_better_with_it() -> None:
    assert spheres(balanced(pair(), ONE, SAME, TWO, "20/20")[0]) == (-75, -200)
    assert spheres(balanced(pair(), TWO, TWO, SAME, TWO, "20/20")[0]) == (-100, -150)


def test_equal_alone_is_enough_only_where_the_over_minus_check_left_room() -> None:
    assert spheres(balanced(pair(clicks=3), ONE, SAME, SAME)[0]) == (-100, -200)
    assert spheres(balanced(pair(clicks=4), ONE, SAME, SAME, "20/20")[0]) == (-75, -200)


def test_plus_that_costs_a_line_comes_out_again() -> None:
    both, _ = balanced(pair(clicks=4), ONE, SAME, SAME, "20/30")
    assert spheres(both) == (-100, -200)
    assert both.right.line_here == "20/20"


def test_a_lens_that_is_worse_alone_is_not_given() -> None:
    assert spheres(balanced(pair(clicks=5), ONE, SAME, ONE)[0]) == (-100, -200)


@pytest.mark.parametrize(("dominant", "right"), [(Eye.RIGHT, -100), (None, -100), (Eye.LEFT, -75)])
def test_where_no_lens_makes_them_equal_the_dominant_eye_stays_clearer(dominant: Eye | None, right: int) -> None:
    answers = (ONE, TWO, TWO, "20/20") if dominant is Eye.LEFT else (ONE, TWO)
    assert spheres(balanced(pair(dominant=dominant), *answers)[0]) == (right, -200)


def test_more_than_three_clicks_is_no_balance() -> None:
    both, raised = balanced(pair(), ONE, ONE, ONE, ONE)
    assert spheres(both) == (-100, -200)
    assert raised == ["balance_disagrees"]


@pytest.mark.parametrize("seed", range(24))
def test_whoever_judges_by_single_eye_blur_ends_no_worse_for_it(seed: int) -> None:
    draw = Random(seed)
    right, left = wide_eye(draw), wide_eye(draw)
    rules = mixed(seed)
    drafts = []
    for balance in (False, True):
        patient = ForeignPatient(rules, right, left, seed, age=30)
        drafts.append(prescription(sit(Exam(Start(age=30, manner=Manner(balance=balance))), patient.hear)))
    for eye, name in ((right, "right"), (left, "left")):
        without, with_it = (off(eye, getattr(draft, name)) for draft in drafts)
        assert with_it <= without + 1e-9


def test_eyes_that_see_unlike_are_not_balanced_and_it_is_said_why() -> None:
    patient = ForeignPatient(Rules(), (-1.0, 0.0, 180, 0.0), (-1.0, 0.0, 180, 0.3), 1, age=30)
    effects = sit(Exam(Start(age=30, manner=Manner(balance=True))), patient.hear)
    steps = [effect.status for effect in effects if isinstance(effect, StepChange) and effect.step == "balance"]
    assert steps == [Status.SKIPPED]
    assert [effect.facts["why"] for effect in effects if isinstance(effect, Say) and effect.key == "both_skipped"]


def test_nothing_of_both_eyes_is_asked_unasked_below_forty() -> None:
    patient = ForeignPatient(Rules(), (-1.0, 0.0, 180, 0.0), (-1.5, 0.0, 180, 0.0), 1, age=30)
    effects = sit(Exam(Start(age=30)), patient.hear)
    both = {effect.step for effect in effects if isinstance(effect, StepChange) and effect.eye is Eye.BOTH}
    assert both == {"near", "read_back", "pd"}  # near: passed over


EYE = EyeState(Eye.RIGHT, Lens.of(-1.0), line="20/20", line_lens=Lens.of(-1.0))


def red_green(*meanings: Meaning) -> tuple[int, set[str]]:
    step, eye, raised = Duochrome(), EYE, set()
    for meaning in meanings:
        assert step.ask(eye) is not None
        move = step.answer(eye, heard(meaning))
        assert isinstance(move.step, Duochrome)
        step, eye = move.step, move.eye
        raised |= {flag.code for flag in move.flags}
    assert step.ask(eye) is None
    return eye.lens.sphere, raised


@pytest.mark.parametrize(
    ("answers", "sphere", "raised"),
    [
        ((SAME,), -100, set()),
        ((ONE, SAME), -125, set()),
        ((TWO, SAME), -75, set()),
        ((ONE, TWO), -100, set()),  # turned round: plus has it
        ((TWO, ONE), -75, set()),
        ((ONE, ONE), -100, {"duochrome_disagrees"}),
        ((TWO, TWO), -100, {"duochrome_disagrees"}),
    ],
)
def test_red_and_green_move_the_sphere_by_a_click_at_most(
    answers: tuple[Meaning, ...], sphere: int, raised: set[str]
) -> None:
    assert red_green(*answers) == (sphere, raised)


def test_red_and_green_are_asked_as_lenses() -> None:
    question = Duochrome().ask(EYE)
    assert question is not None
    assert (question.first.sphere, question.second.sphere) == (-125, -75)  # red asks for minus, green for plus


@pytest.mark.parametrize(("best", "asked"), [(0.0, True), (0.3, False)])
def test_red_and_green_are_left_out_below_20_30(best: float, asked: bool) -> None:
    patient = ForeignPatient(Rules(), (-1.0, 0.0, 180, best), (-1.0, 0.0, 180, best), 1, age=30)
    effects = sit(Exam(Start(age=30, manner=Manner(duochrome=True))), patient.hear)
    steps = {effect.step for effect in effects if isinstance(effect, StepChange)}
    assert ("duochrome" in steps) is asked
    assert "too_many_questions" not in flags(effects)


@pytest.mark.parametrize(
    ("meaning", "hedged", "cylinder"),
    [(TWO, False, -25), (TWO, True, 0), (SAME, False, 0), (ONE, False, 0), (Meaning.UNSURE, False, 0)],
)
def test_a_cylinder_that_came_to_nothing_returns_only_for_a_plain_preference(
    meaning: Meaning, hedged: bool, cylinder: int
) -> None:
    step = CylinderCheck(30)
    question = step.ask(EYE)
    assert question is not None and (question.second.cylinder, question.second.axis) == (-25, 30)
    assert step.answer(EYE, heard(meaning, hedged=hedged)).eye.lens.cylinder == cylinder


def test_a_plus_head_is_told_its_own_spheres() -> None:
    """In plus cylinder form a lens has the sphere of the other meridian: -0.25 -2.00 x 090 is -2.25 +2.00 x 180."""
    head = Instrument(CylinderSign.PLUS)
    right, left = Lens.of(-0.25, -2.0, 90), Lens.of(-0.5, -1.0, 10)
    both = wording.question(Ask(Choice(Eye.BOTH, "balance", right, left), 1), head)
    assert "right eye, sphere minus two point two five" in both
    assert "left eye, sphere minus one point five zero" in both
    alone = wording.question(Ask(Choice(Eye.RIGHT, "balance", right, right.with_sphere(0)), 1), head)
    assert "one is sphere minus two point two five; two is sphere minus two point zero zero" in alone


@pytest.mark.parametrize(
    "answers", [(SAME,), (ONE, SAME, ONE), (ONE, SAME, TWO, "20/20"), (TWO, Meaning.SKIP), (Meaning.FINISH,)]
)
def test_the_fog_is_taken_off_whatever_ends_the_balance(answers: tuple[Meaning | str, ...]) -> None:
    """By the words and by the lens events: left in, both eyes' acuity would be read through it."""
    exam = at_step("balance", start=replace(STARTED, manner=Manner(balance=True)))
    told_it = [heard(one) if isinstance(one, Meaning) else heard(Meaning.SET_ACUITY, one) for one in answers]
    effects = [effect for one in told_it for effect in exam.hear(one)]
    told = [effect for effect in effects if isinstance(effect, Say) and effect.key == "balance_ends"]
    shown = {effect.eye: effect.lens for effect in effects if isinstance(effect, ShowLens)}
    assert len(told) == 1
    for eye in (Eye.RIGHT, Eye.LEFT):
        lens = exam.state.of(eye).state.lens
        assert told[0].facts[str(eye)] == lens and shown[eye] == lens

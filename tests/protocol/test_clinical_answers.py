"""Whether an eye's answers fit together: honest people are believed, others end soon, flagged, and certify nothing.

The cut-offs are design choices of the plan, set by simulation.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest
from foreign import ForeignPatient, Rules, wide_eye
from sitting import flags, prescription, questions, sit

from assistant.evidence.together import weigh
from assistant.optics.lens import Lens
from assistant.patients.cohort import Cohort, draw_patient
from assistant.patients.patient import HOSTILE
from assistant.protocol import consistency, plan
from assistant.protocol.consistency import Answer
from assistant.protocol.effects import Flag
from assistant.protocol.exam import Exam
from assistant.protocol.eye import EyeState
from assistant.protocol.meanings import Heard, Meaning, Outcome
from assistant.protocol.questions import AcuityQuestion, Choice, Eye, Legible, Question

MOST_ASKED = 80  # questions an eye, asked-again ones included
ADVICE = {"over_minus", "adaptation", "axis_swing"}  # flags that say nothing of how far the answers can be trusted


@pytest.mark.parametrize("start", ["zero", "near"])
@pytest.mark.parametrize("kind", HOSTILE)
def test_hostile_patients_end_soon_and_certify_nothing(kind: str, start: str) -> None:
    cohort = Cohort(kind=kind, start=start, seed=5)
    trusted = Counter[str]()
    for number in range(12):
        patient, given = draw_patient(cohort, number)
        effects = sit(Exam(given, weigh), lambda question, patient=patient: patient.reply(question).heard())
        draft = prescription(effects)
        for eye, result in ((Eye.RIGHT, draft.right), (Eye.LEFT, draft.left)):
            assert len(questions(effects, eye)) <= MOST_ASKED
            if result.complete and not flags(effects, eye) - ADVICE:
                trusted[kind] += 1
    # An eye answered by chance can come to fit by chance: 3 of 400 from zero, in a longer run.
    assert trusted.total() <= (1 if kind == "random" else 0)


@pytest.mark.parametrize("seed", range(12))
def test_honest_answers_are_not_doubted(seed: int) -> None:
    from random import Random

    draw = Random(seed)
    patient = ForeignPatient(Rules(), wide_eye(draw), wide_eye(draw), seed, age=30)
    effects = sit(Exam(), patient.hear)
    raised = {effect.code for effect in effects if isinstance(effect, Flag)}
    assert not raised & {"contradiction", "position_bias", "no_preference", "answers_do_not_fit", "too_fast", "fatigue"}
    draft = prescription(effects)
    assert draft.right.complete and draft.left.complete


LENS = Lens.of(-2.0)
EYE = EyeState(Eye.RIGHT, LENS)


def answered(question: Question, meaning: Meaning, value: str | None = None, **more: object) -> Answer:
    return replace(Answer.of(question, Heard("", Outcome.HEARD, meaning, value)), **more)


def pair(first: int, second: int, meaning: Meaning, **more: object) -> Answer:
    """A pair of spheres, in clicks from the eye's lens, and what was said of it."""
    one, two = (LENS.with_sphere(LENS.sphere + 25 * clicks) for clicks in (first, second))
    return answered(Choice(Eye.RIGHT, "sphere", one, two), meaning, **more)


ONE, TWO, SAME = Meaning.FIRST, Meaning.SECOND, Meaning.SAME


def test_answers_that_point_to_the_lens_are_evidence_for_it_and_others_against() -> None:
    honest = (pair(8, 4, TWO), pair(4, 0, TWO), pair(0, 2, ONE), pair(4, 0, TWO), pair(0, 3, ONE))
    turned = (pair(8, 4, ONE), pair(4, 0, ONE), pair(0, 2, TWO), pair(4, 0, ONE), pair(0, 3, TWO))
    assert consistency.fit(EYE, honest).evidence > 4
    assert consistency.fit(EYE, honest).against == 0
    assert consistency.fit(EYE, turned).evidence < 0
    assert consistency.fit(EYE, turned).against == 5
    assert {flag.code for flag in consistency.judge(EYE, turned)} == {"answers_do_not_fit"}
    assert consistency.judge(replace(EYE, given=True), honest) == ()


def test_what_an_eye_can_focus_through_is_not_held_against_it() -> None:
    # Minus too much is cleared by focusing, and some like it: both answers may come from the same eye.
    minus = tuple(pair(0, -2, meaning) for meaning in (TWO, SAME, TWO, SAME, TWO))
    assert consistency.fit(EYE, minus).against == 0


def test_lines_read_count_too() -> None:
    through = AcuityQuestion(Eye.RIGHT, "acuity", LENS)
    fogged = AcuityQuestion(Eye.RIGHT, "sphere", LENS.with_sphere(LENS.sphere + 200))
    likely = (
        answered(through, Meaning.SET_ACUITY, "20/20"),
        answered(fogged, Meaning.SET_ACUITY, "20/100"),
    )
    unlikely = (
        answered(through, Meaning.SET_ACUITY, "20/100"),
        answered(fogged, Meaning.SET_ACUITY, "20/20"),
    )
    assert consistency.fit(EYE, likely).evidence > 0 > consistency.fit(EYE, unlikely).evidence


def test_a_long_run_for_one_place_brings_a_pair_again_in_reverse_order() -> None:
    run = tuple(pair(clicks + 2, clicks, TWO) for clicks in range(12, 12 - 2 * plan.RUN_OF_ONE, -2))
    assert consistency.to_repeat(run[:-1]) is None
    checked = consistency.to_repeat(run)
    assert checked is not None
    answer, again = checked
    assert answer is not None
    assert isinstance(answer.question, Choice)
    assert (again.first, again.second) == (answer.question.second, answer.question.first)
    held, turned = (answered(again, meaning, repeats=answer) for meaning in (ONE, TWO))
    assert not held.contradicts
    assert turned.contradicts
    assert consistency.to_repeat((*run, turned)) is None  # not at once again


def test_answers_in_turn_are_looked_into_as_well() -> None:
    turns = tuple(pair(2, 0, (ONE, TWO)[count % 2]) for count in range(plan.RUN_IN_TURN))
    assert consistency.to_repeat(turns) is not None


def test_an_eye_whose_answers_say_little_is_checked_by_a_lens_no_eye_can_prefer() -> None:
    weak = tuple(pair(0, 1, SAME) for _ in range(plan.CHOICES_TO_JUDGE))
    checked = consistency.to_ask_at_end(EYE, weak)
    assert checked is not None
    answer, control = checked
    assert answer is None
    assert {control.first.sphere, control.second.sphere} == {-200, -100}
    foggy = ONE if control.first.sphere == -100 else TWO
    flagged = consistency.judge(EYE, (*weak, answered(control, foggy)))
    assert "contradiction" in {flag.code for flag in flagged}


def test_a_control_is_never_far_from_the_lens() -> None:
    poor = answered(AcuityQuestion(Eye.RIGHT, "acuity", LENS), Meaning.SET_ACUITY, "20/400")
    checked = consistency.to_ask_at_end(EYE, (poor, *(pair(0, 1, SAME) for _ in range(plan.CHOICES_TO_JUDGE))))
    assert checked is not None
    assert abs(checked[1].first.sphere - checked[1].second.sphere) == plan.CONTROL_MOST


def test_three_contradicted_pairs_end_the_eye() -> None:
    first = pair(4, 0, TWO)
    again = Choice(Eye.RIGHT, "repeat_reversed", first.question.second, first.question.first)
    wrong = answered(again, TWO, repeats=first)
    assert not consistency.hopeless((wrong,) * (plan.CATCHES_MOST - 1))
    assert consistency.hopeless((wrong,) * plan.CATCHES_MOST)


def test_position_bias_carries_its_counts() -> None:
    made = tuple(pair(clicks + 2, clicks, TWO) for clicks in range(9))
    again = Choice(Eye.RIGHT, "repeat_reversed", LENS, LENS.adjacent(sphere=2))
    flagged = consistency.judge(EYE, (*made, answered(again, TWO, repeats=made[0])))
    bias = next(flag for flag in flagged if flag.code == "position_bias")
    assert bias.facts == {"position": "second", "answers": 10, "of": 10, "repeated": 1}


def test_no_pair_told_apart_is_told() -> None:
    flagged = consistency.judge(EYE, tuple(pair(0, 1, SAME) for _ in range(plan.NO_PREFERENCE)))
    assert "no_preference" in {flag.code for flag in flagged}


def fits(count: int, after: float | None, hedged: bool = False) -> tuple[Answer, ...]:
    """Honest answers with a time."""
    return tuple(pair(4, 0, TWO, after=after, hedged=hedged) for _ in range(count))


def codes(answers: tuple[Answer, ...]) -> set[str]:
    return {flag.code for flag in consistency.judge(replace(EYE, given=True), answers)}


@pytest.mark.parametrize(
    ("count", "after", "told"), [(3, 0.2, True), (2, 0.2, False), (9, 0.3, False), (9, None, False), (9, 1.0, False)]
)
def test_answers_before_the_lens_could_be_seen_are_told(count: int, after: float | None, told: bool) -> None:
    assert ("too_fast" in codes((*fits(count, after), *fits(6, 1.2)))) is told


@pytest.mark.parametrize(("late", "told"), [(1.0, False), (2.5, False), (4.0, True)])
def test_rising_hesitation_is_named(late: float, told: bool) -> None:
    answers = (*fits(6, 1.0), *fits(6, 1.5), *fits(6, late, hedged=late > 2))
    assert ("fatigue" in codes(answers)) is told


def test_legible_answers_are_timed_too() -> None:
    fast = answered(Legible(Eye.RIGHT, "over_minus", LENS, "20/20"), Meaning.YES, after=0.1)
    assert "too_fast" in codes((*fits(6, 1.0), fast, fast, fast))


def test_no_lens_is_held_against_itself_where_the_dial_ends() -> None:
    """Plainly too much plus cannot be added at the end of the sphere dial."""
    eye = EyeState(Eye.RIGHT, Lens(plan.SPHERE_HIGH))
    weak = tuple(
        Answer(Choice(Eye.RIGHT, "sphere", Lens(plan.SPHERE_HIGH - 25), Lens(plan.SPHERE_HIGH)), meaning)
        for meaning in (Meaning.SAME, Meaning.UNSURE) * plan.CHOICES_TO_JUDGE
    )
    assert consistency.to_ask_at_end(eye, weak) is None

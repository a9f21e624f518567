"""The near addition, by age, against the published ranges (Millodot, Dictionary of Optometry, 2009).

Adds: 45-50 +1.00..+1.25, 50-55 +1.50..+1.75, 55-60 +2.00..+2.25, older +2.50..+3.00.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from foreign import ForeignPatient, Rules
from sitting import flags, prescription, said, sit

from assistant.optics.lens import Lens
from assistant.patients.eye import Eye as VirtualEye
from assistant.patients.patient import patient
from assistant.protocol import plan
from assistant.protocol.both import BothState
from assistant.protocol.effects import Status, StepChange
from assistant.protocol.exam import Exam
from assistant.protocol.eye import EyeState
from assistant.protocol.meanings import Heard, Meaning
from assistant.protocol.questions import Choice, Eye, Question, Value
from assistant.protocol.start import Manner, Road, Start, StartEye, When
from assistant.protocol.steps.near import Near

PUBLISHED = ((45, 49, 100, 125), (50, 54, 150, 175), (55, 59, 200, 225), (60, 75, 250, 300))
AGES = range(40, 76)
Answer = Callable[[Question], Heard]


def near_only(age: int | None, amplitude: float | None = None, near: When = When.AUTO, centimetres: int = 40) -> Start:
    manner = Manner(road=Road.NEAR, near=near, working_distance=centimetres)
    eyes = StartEye(Lens.of(-1.0, -0.5, 20)), StartEye(Lens.of(-0.75))
    return Start(*eyes, pd=62, age=age, amplitude=amplitude, manner=manner)


def always(meaning: Meaning) -> Answer:
    def answer(question: Question) -> Heard:
        if isinstance(question, Choice):
            return said(meaning)
        return said(Meaning.SKIP if isinstance(question, Value) else Meaning.CONFIRM)

    return answer


def by_distance_blur(age: int) -> Answer:
    """Someone who knows distance alone: every lens with more plus than the eye needs there is worse."""
    return ForeignPatient(Rules(), (-1.1, -0.6, 20, 0.0), (-0.8, 0.0, 180, 0.0), 1, age=age).hear


def by_near_blur(age: int) -> Answer:
    right, left = VirtualEye.of(-1.1, -0.6, 20, age=age), VirtualEye.of(-0.8, age=age)
    sitting = patient("exact", right, left, 1, age=age)
    return lambda question: sitting.reply(question).heard()


def prefers(more_plus: bool) -> Answer:
    """Someone who always prefers the stronger add, or always the weaker."""

    def answer(question: Question) -> Heard:
        if isinstance(question, Choice):
            stronger = question.second.sphere > question.first.sphere
            return said(Meaning.SECOND if stronger is more_plus else Meaning.FIRST)
        return said(Meaning.SKIP if isinstance(question, Value) else Meaning.CONFIRM)

    return answer


ANSWERS: dict[str, Callable[[int], Answer]] = {
    "one": lambda age: always(Meaning.FIRST),
    "two": lambda age: always(Meaning.SECOND),
    "same": lambda age: always(Meaning.SAME),
    "can't tell": lambda age: always(Meaning.UNSURE),
    "more plus": lambda age: prefers(True),
    "less plus": lambda age: prefers(False),
    "distance blur": by_distance_blur,
    "near blur": by_near_blur,
}


@pytest.mark.parametrize("who", ANSWERS)
def test_the_add_rises_with_age_within_what_is_published(who: str) -> None:
    adds = []
    for age in AGES:
        draft = prescription(sit(Exam(near_only(age)), ANSWERS[who](age)))
        assert draft.right.add is not None
        assert draft.right.add == draft.left.add
        adds.append(draft.right.add)
    assert adds == sorted(adds)
    by_age = dict(zip(AGES, adds, strict=True))
    for start, end, least, largest in PUBLISHED:
        assert all(least <= by_age[age] <= largest for age in range(start, end + 1))
    assert all(0 < by_age[age] <= 100 for age in range(40, 45))  # nothing is published: below the first range


def test_a_preference_held_in_reverse_order_moves_the_add() -> None:
    assert prescription(sit(Exam(near_only(57)), prefers(True))).right.add == 225
    assert prescription(sit(Exam(near_only(58)), prefers(False))).right.add == 200


@pytest.mark.parametrize("meaning", [Meaning.FIRST, Meaning.SECOND, Meaning.SAME, Meaning.UNSURE])
def test_an_answer_to_the_place_leaves_the_add(meaning: Meaning) -> None:
    assert prescription(sit(Exam(near_only(57)), always(meaning))).right.add == 200


def test_a_whole_exam_asks_for_near_from_forty_on() -> None:
    for age, asked in ((39, False), (40, True), (67, True)):
        patient_of = ForeignPatient(Rules(), (-1.0, -0.5, 20, 0.0), (-0.75, 0.0, 180, 0.0), 1, age=age)
        effects = sit(Exam(), patient_of.hear)
        near = [effect.status for effect in effects if isinstance(effect, StepChange) and effect.step == "near"]
        assert near == ([Status.BEGUN, Status.DONE] if asked else [Status.SKIPPED])
        assert (prescription(effects).right.add is not None) is asked


def test_asked_for_near_is_looked_at_in_the_young_too() -> None:
    draft = prescription(sit(Exam(near_only(25, near=When.ON)), always(Meaning.SAME)))
    assert draft.right.add == 0


def test_without_an_age_there_is_nothing_to_start_from() -> None:
    exam = Exam(near_only(None))
    effects = sit(exam, always(Meaning.SAME))
    assert prescription(effects).right.add is None


def test_a_measured_amplitude_comes_before_the_age() -> None:
    # 1/0.40 m - 1/2 * 1.00 D = +2.00 (Millodot 2009, from 52 years), where 52 alone has +1.50; a quarter either way.
    assert prescription(sit(Exam(near_only(52, amplitude=1.0)), always(Meaning.SAME))).right.add == 200
    assert prescription(sit(Exam(near_only(52, amplitude=1.0)), prefers(True))).right.add == 250


@pytest.mark.parametrize("age", AGES)
@pytest.mark.parametrize("more_plus", [True, False])
def test_choices_never_lead_half_a_dioptre_from_the_tentative_add(age: int, more_plus: bool) -> None:
    start = prescription(sit(Exam(near_only(age)), always(Meaning.SAME))).right.add
    moved = prescription(sit(Exam(near_only(age)), prefers(more_plus))).right.add
    assert start is not None and moved is not None
    assert abs(moved - start) <= 50


def test_a_longer_working_distance_asks_for_less() -> None:
    assert prescription(sit(Exam(near_only(62, centimetres=50)), always(Meaning.SAME))).right.add == 200


def test_the_examiners_word_stands_and_an_unfinished_add_is_called_tentative() -> None:
    exam = Exam(near_only(52))
    exam.begin()
    effects = [*exam.hear(said(Meaning.SKIP)), *exam.close()]
    assert "add_tentative" in flags(effects, Eye.BOTH)
    exam = Exam(near_only(52))
    exam.begin()
    effects = [*exam.hear(said(Meaning.SET_ADD, 225)), *exam.close()]
    assert prescription(effects).left.add == 225
    assert "add_tentative" not in flags(effects, Eye.BOTH)


def test_a_dial_at_its_end_ends_the_search() -> None:
    """One lens is not shown twice as a pair."""
    far = EyeState(Eye.RIGHT, Lens(plan.SPHERE_HIGH), age=60)
    both = BothState(far, replace(far, eye=Eye.LEFT), age=60)
    step = Near.begin(both)
    assert step is not None and step.ask(both) is None


def test_the_distance_lenses_are_left_alone() -> None:
    draft = prescription(sit(Exam(near_only(57)), prefers(True)))
    assert (draft.right.sphere, draft.right.cylinder, draft.right.axis) == (-100, -50, 20)
    assert draft.left.sphere == -75

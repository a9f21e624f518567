"""All answers together: when they turn the dials, and when they leave them alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import pytest
from walking import heard

from assistant.optics.lens import Lens
from assistant.optics.power_vector import PowerVector
from assistant.protocol import plan
from assistant.protocol.exam import Exam
from assistant.protocol.eye import EyeState, on_the_dials
from assistant.protocol.meanings import Meaning
from assistant.protocol.questions import AcuityQuestion, Choice, Eye, Question
from assistant.protocol.start import Start
from assistant.protocol.steps.settle import Settle
from assistant.protocol.weighing import weighed

LENS = Lens.of(-2.0, -1.0, 90)
EYE = EyeState(Eye.RIGHT, LENS)


SURE = PowerVector(0.1, 0.05, 0.05)


@dataclass(frozen=True)
class Says:
    """What the answers say, as a test has it."""

    mean: PowerVector
    spread: PowerVector = SURE
    bits: float = 20.0

    @property
    def least_bits(self) -> float:
        return self.bits

    def off(self, lens: Lens) -> float:
        return 0.0

    def most_telling(self, questions: Sequence[Question], worth: PowerVector) -> Question:
        return questions[0]


def says(m: float, j0: float, j45: float) -> Says:
    return Says(PowerVector(m, j0, j45))


def test_nothing_to_say_leaves_the_lens() -> None:
    assert weighed(None, EYE) == LENS


def test_an_estimate_near_the_lens_leaves_it() -> None:
    own = LENS.vector
    assert weighed(says(own.m - 0.04, own.j0 + 0.03, own.j45), EYE) == LENS


def test_the_whole_refraction_follows() -> None:
    truth = PowerVector.of(-3.5, -2.0, 80)
    lens = weighed(Says(truth), EYE)
    assert (lens.sphere, lens.cylinder, lens.axis) == (-350, -200, 80)


def test_of_two_lenses_as_likely_a_young_eye_gets_the_one_with_more_plus() -> None:
    """Too much minus is what an eye that focuses hides (common practice); how far is a design choice."""
    between = Says(PowerVector(-3.13, 0.0, 0.0), PowerVector(0.2, 0.05, 0.05))
    young, old = (replace(EYE, lens=Lens.of(-2.0), age=age) for age in (20, 70))
    assert weighed(between, young).sphere == -300
    assert weighed(between, old).sphere == -325


@pytest.mark.parametrize(
    ("given", "age", "line", "asks"),
    [
        (True, 20, "20/20", True),
        (True, None, "20/20", True),
        (True, 70, "20/20", False),
        (False, 20, "20/20", False),
        (True, 20, "20/60", False),
        (True, 20, None, False),
    ],
)
def test_a_starting_point_that_an_eye_may_focus_through_is_settled_closer(
    given: bool, age: int | None, line: str | None, asks: bool
) -> None:
    eye = replace(EYE, given=given, age=age, line=line)
    said = Says(LENS.vector, PowerVector(0.15, 0.05, 0.05))
    assert (Settle().following(eye, said).ask(eye) is not None) is asks


def test_a_lens_that_rounding_left_off_is_settled_closer_still() -> None:
    """A click too much or too little is what must not be left behind a young eye's starting point (design)."""
    eye = replace(EYE, given=True, age=20, line="20/20")
    spread = PowerVector(0.11, 0.05, 0.05)
    assert Settle().following(eye, Says(LENS.vector, spread)).ask(eye) is None
    off = LENS.vector.plus(PowerVector(0.10, 0.0, 0.0))
    assert Settle().following(eye, Says(off, spread)).ask(eye) is not None


def test_letters_are_read_once_through_a_lens_and_a_pair_is_shown_twice() -> None:
    """Letters just read are remembered: reading them again is no new look (common practice, no source)."""
    said, step = Says(LENS.vector, PowerVector(1.0, 1.0, 1.0)), Settle()
    put: list[Question] = []
    while (question := (step := step.following(EYE, said)).ask(EYE)) is not None:
        put.append(question)
        after = step.answer(EYE, heard(Meaning.SAME)).step
        assert isinstance(after, Settle)
        step = after
    assert len(put) == plan.SETTLE_MOST
    assert {put.count(one) for one in put if isinstance(one, AcuityQuestion)} <= {1}
    assert {put.count(one) for one in put if isinstance(one, Choice)} <= {1, 2}


def test_where_the_cylinder_is_not_looked_for_it_stays() -> None:
    lens = weighed(Says(PowerVector.of(-3.5, -2.0, 80)), EYE, cylinder=False)
    assert (lens.cylinder, lens.axis) == (LENS.cylinder, LENS.axis)
    assert lens.sphere == -400  # the spherical equivalent of -3.50 -2.00, with -1.00 of cylinder
    asked: list[Question] = []

    class Hears(Says):
        def most_telling(self, questions: Sequence[Question], worth: PowerVector) -> Question:
            asked.extend(questions)
            return questions[0]

    Settle(cylinder=False).following(EYE, Hears(EYE.lens.vector, PowerVector(1.0, 1.0, 1.0)))
    assert asked
    assert all(question.first.cross is None for question in asked if isinstance(question, Choice))


def test_an_estimate_that_is_nowhere_leaves_it() -> None:
    assert weighed(Says(PowerVector.of(-3.5, -2.0, 80), PowerVector(2.0, 0.5, 0.5)), EYE) == LENS


def test_never_beyond_the_dials() -> None:
    assert weighed(Says(PowerVector.of(0.0, -12.0, 10)), EYE) == LENS
    assert weighed(Says(PowerVector.of(0.0, -25.0, 10)), EYE) == LENS


@pytest.mark.parametrize("bad", [float("nan"), float("inf")])
def test_an_estimate_that_is_no_number_leaves_the_lens(bad: float) -> None:
    assert weighed(says(0.0, bad, bad), EYE) == LENS


ASKED = AcuityQuestion(Eye.RIGHT, "settle", LENS)


@pytest.mark.parametrize(
    ("spread", "asks"), [((0.1, 0.05, 0.05), False), ((0.3, 0.05, 0.05), True), ((0.1, 0.05, 0.2), True)]
)
def test_what_is_left_open_is_asked(spread: tuple[float, float, float], asks: bool) -> None:
    said = Says(LENS.vector, PowerVector(*spread))
    assert (Settle().following(EYE, said).ask(EYE) is not None) is asks
    assert Settle(put=(ASKED,) * plan.SETTLE_MOST).following(EYE, said).ask(EYE) is None
    assert Settle().following(EYE, None).ask(EYE) is None


@pytest.mark.parametrize(
    ("spread", "counted"),
    [
        ((0.3, 0.05, 0.05), (True, False, False)),
        ((0.1, 0.05, 0.2), (False, True, True)),
        ((0.3, 0.2, 0.05), (True,) * 3),
    ],
)
def test_only_what_is_left_open_counts(spread: tuple[float, float, float], counted: tuple[bool, bool, bool]) -> None:
    worths: list[PowerVector] = []

    class Hears(Says):
        def most_telling(self, questions: Sequence[Question], worth: PowerVector) -> Question:
            worths.append(worth)
            return questions[0]

    Settle().following(EYE, Hears(LENS.vector, PowerVector(*spread)))
    assert [tuple(part > 0 for part in worth) for worth in worths] == [counted]


@pytest.mark.parametrize("sphere", [plan.SPHERE_LOW, -200, plan.SPHERE_HIGH])
def test_all_that_is_asked_stands_on_the_dials_about_the_lens(sphere: int) -> None:
    eye = EyeState(Eye.RIGHT, Lens(sphere, -100, 90))
    asked: list[Question] = []

    class Hears(Says):
        def most_telling(self, questions: Sequence[Question], worth: PowerVector) -> Question:
            asked.extend(questions)
            return questions[0]

    Settle().following(eye, Hears(eye.lens.vector, PowerVector(1.0, 1.0, 1.0)))
    assert asked
    for question in asked:
        lenses = (question.first, question.second) if isinstance(question, Choice) else (question.lens,)
        for lens in lenses:
            assert on_the_dials(lens)
            assert lens.with_sphere(0).with_cross(None) == eye.lens.with_sphere(0)


def test_an_exam_without_it_is_an_exam() -> None:
    assert Exam(Start()).weigh is None


def test_a_lens_farther_off_than_is_left_open_follows() -> None:
    """Four dioptres off where two are open: it is not where they point. One off: it may be."""
    open_, own, eye = PowerVector(2.0, 0.1, 0.1), LENS.vector, replace(EYE, choices=plan.CHOICES_TO_JUDGE)
    assert weighed(Says(PowerVector(own.m - 4.0, own.j0, own.j45), open_), eye) != LENS
    assert weighed(Says(PowerVector(own.m - 1.0, own.j0, own.j45), open_), eye) == LENS


def test_a_few_answers_that_leave_much_open_do_not_turn_the_dials() -> None:
    """Two pairs and a line say little but what was believed of any eye beforehand."""
    far = Says(LENS.vector.plus(PowerVector(4.0, 0.0, 0.0)), PowerVector(2.0, 0.1, 0.1))
    assert weighed(far, replace(EYE, choices=2)) == LENS
    assert weighed(replace(far, spread=SURE), replace(EYE, choices=2)) != LENS


@pytest.mark.parametrize(
    ("age", "given", "more"), [(20, True, 0.5), (20, False, 0.5), (70, True, 0.5), (20, True, 0.1)]
)
def test_a_start_of_too_much_minus_is_left_toward_plus(age: int, given: bool, more: float) -> None:
    """Maximum plus for an eye that focuses (common practice, no source), once its answers say so much minus was in."""
    eye = replace(EYE, age=age, given=given, began=LENS.spherical_equivalent)
    said = Says(PowerVector(LENS.vector.m + more, LENS.vector.j0, 0.0), PowerVector(0.12, 0.05, 0.05))
    plainly = weighed(said, replace(eye, given=False)).vector.m
    over = age < plan.FOGGED_BELOW and given and more >= plan.OVER_MINUSED
    assert eye.hides_minus(said.mean.m) is over
    assert weighed(said, eye).vector.m >= plainly
    if over:
        close = replace(said, spread=PowerVector(0.11, 0.05, 0.05))
        at = eye.to(weighed(close, eye))
        assert Settle().following(replace(at, line="20/20"), close).ask(at) is not None

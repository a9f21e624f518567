"""The line through one dioptre of plus: where it is asked for, what is recorded, and when it speaks."""

from __future__ import annotations

from dataclasses import replace

import pytest

from assistant.optics.lens import Lens
from assistant.protocol import closing, plan, roads
from assistant.protocol.consistency import Answer
from assistant.protocol.eye import EyeState
from assistant.protocol.meanings import Heard, Meaning, Outcome
from assistant.protocol.progress import EyeProgress, State
from assistant.protocol.questions import AcuityQuestion, Eye, Legible
from assistant.protocol.start import Start
from assistant.protocol.steps.seeing import PlusCheck

LENS = Lens.of(-1.0, -0.5, 90)
EYE = EyeState(Eye.RIGHT, LENS, age=30, line="20/20", line_lens=LENS)
DONE = EyeProgress(EYE, begun=True, finished=True)


def read(lens: Lens, line: str | None, step: str = "plus_check") -> Answer:
    meaning = Meaning.NO if line is None else Meaning.SET_ACUITY
    return Answer(AcuityQuestion(Eye.RIGHT, step, lens), meaning, line)


def letters(plus: int, made_out: bool) -> Answer:
    question = Legible(Eye.RIGHT, "over_minus", LENS.with_sphere(LENS.sphere + plus), "20/20")
    return Answer(question, Meaning.YES if made_out else Meaning.NO)


def through(plus: int, line: str | None, lens: Lens = LENS) -> EyeProgress:
    return replace(DONE, answers=(read(lens.with_sphere(lens.sphere + plus), line),))


def asked_for(progress: EyeProgress) -> bool:
    return isinstance(roads.next_end(progress, duochrome=False, worse_by_lines=False), PlusCheck)


@pytest.mark.parametrize(
    ("eye", "asked"),
    [
        (EYE, True),
        (replace(EYE, age=None), True),
        (replace(EYE, age=plan.NO_ACCOMMODATION_FROM), False),  # nothing to hide
        (replace(EYE, line="20/50"), False),  # the published range is for an eye that sees well
        (replace(EYE, line=None), False),
        (replace(EYE, lens=Lens(plan.SPHERE_HIGH), line_lens=Lens(plan.SPHERE_HIGH)), False),
    ],
)
def test_it_is_asked_of_an_eye_that_may_focus_and_sees_well(eye: EyeState, asked: bool) -> None:
    assert asked_for(replace(DONE, state=eye)) is asked


def test_it_is_asked_once_and_not_where_it_was_read() -> None:
    assert not asked_for(replace(DONE, ends=("plus_check",)))
    assert not asked_for(through(100, "20/50"))
    assert asked_for(through(150, "20/100"))
    assert asked_for(through(100, "20/50", Lens.of(-1.0, -0.75, 90)))


def test_it_comes_before_what_is_left_open_but_where_the_eye_was_fogged() -> None:
    assert roads.plus_first(DONE)
    assert roads.plus_first(replace(DONE, state=replace(EYE, given=True, age=50)))
    assert not roads.plus_first(replace(DONE, state=replace(EYE, given=True)))
    assert not roads.plus_first(through(100, "20/50"))


def test_one_dioptre_of_plus_goes_over_the_lens_and_comes_off() -> None:
    asked = PlusCheck().ask(EYE)
    assert asked is not None
    assert asked.lens == Lens.of(0.0, -0.5, 90)
    move = PlusCheck().answer(EYE, Heard("", Outcome.HEARD, Meaning.SET_ACUITY, "20/30"))
    assert move.eye == EYE
    assert move.step.ask(move.eye) is None


@pytest.mark.parametrize(
    ("progress", "known"),
    [
        (through(100, "20/50"), ("20/50", 1.0)),
        (through(125, "20/60"), ("20/60", 1.25)),  # the lens moved a click after the check
        (through(150, "20/100"), None),
        (through(100, None), None),
        (through(100, "20/50", Lens.of(-1.0, -2.0, 90)), None),  # blurred by the cylinder, not by the plus
        (DONE, None),
        # The one nearest to a dioptre, not the last; a pinhole is no lens.
        (replace(DONE, answers=(*through(100, "20/30").answers, *through(75, "20/25").answers)), ("20/30", 1.0)),
        (replace(DONE, answers=(*through(100, "20/50").answers, *through(100, "20/40").answers)), ("20/40", 1.0)),
        (replace(DONE, answers=(read(LENS.with_sphere(0), "20/30", "pinhole"),)), None),
    ],
)
def test_what_was_read_through_about_a_dioptre(progress: EyeProgress, known: tuple[str, float] | None) -> None:
    assert progress.through_plus == known


def test_the_plus_that_made_the_line_unreadable_is_over_the_lens_that_stands() -> None:
    checked = replace(DONE, answers=(letters(100, False), letters(75, True), read(LENS, "20/20")))
    assert checked.unreadable_plus == 1.0
    moved = replace(checked, state=EYE.to(LENS.with_sphere(LENS.sphere + 25)))
    assert moved.unreadable_plus == 0.75
    again = replace(checked, answers=(*checked.answers, letters(75, False), letters(50, True)))
    assert again.unreadable_plus == 0.75
    assert DONE.unreadable_plus is None
    other = replace(checked, state=EYE.to(Lens.of(-1.0, -2.0, 90)))
    assert other.unreadable_plus is None


@pytest.mark.parametrize(
    ("plus", "line", "said"),
    [(100, "20/30", True), (100, "20/40", False), (100, "20/60", False), (125, "20/30", True), (75, "20/30", False)],
)
def test_better_than_usual_says_that_too_little_plus_may_be_in(plus: int, line: str, said: bool) -> None:
    """6/12 to 6/18 through +1.00 over the right lens; better suggests too little plus (Optometry in Practice
    2004;5(4))."""
    other = EyeProgress(EyeState(Eye.LEFT, Lens(0)))
    flags = closing.cautions(State(through(plus, line), other), Start())
    told = [flag for flag in flags if flag.code == "reads_through_plus"]
    assert bool(told) is said
    assert all(flag.facts == {"line": line, "plus": plus / 100} for flag in told)


def test_an_eye_that_cannot_focus_is_not_doubted_for_it() -> None:
    """A small pupil blurs less through plus; it hides no minus."""
    old = replace(through(100, "20/30"), state=replace(EYE, age=plan.NO_ACCOMMODATION_FROM))
    flags = closing.cautions(State(old, EyeProgress(EyeState(Eye.LEFT, Lens(0)))), Start())
    assert all(flag.code != "reads_through_plus" for flag in flags)


def test_both_checks_are_on_the_draft() -> None:
    progress = replace(DONE, answers=(letters(75, False), letters(50, True), *through(100, "20/50").answers))
    draft = closing.prescription(State(progress, EyeProgress(EyeState(Eye.LEFT, Lens(0)))), Start())
    assert draft.right.over_minus == {"unreadable": 0.75, "line": "20/50", "plus": 1.0}
    assert draft.left.over_minus is None

"""Whose word counts, and what is said when the dials may stand elsewhere: the read-back, leaving a step, odd ages."""

from __future__ import annotations

from dataclasses import replace

import pytest
from sitting import SILENCE, STARTED, at_form, at_step, go_on, honest, prescription, questions, said, sit

from assistant.evidence.together import weigh
from assistant.grammar import wording
from assistant.protocol import plan
from assistant.protocol.effects import Ask, Flag, Prescribe, Say
from assistant.protocol.exam import Exam
from assistant.protocol.meanings import Heard, Meaning, Outcome, Speaker
from assistant.protocol.questions import AcuityQuestion, Choice, Confirm, Eye, Legible, Value
from assistant.protocol.start import Manner, Start, StartEye

LENS_FORMS = (Choice, Legible, AcuityQuestion)


def test_only_the_examiner_confirms_where_it_is_known_who_spoke() -> None:
    exam = at_form(Confirm, STARTED)
    for meaning in (Meaning.CONFIRM, Meaning.YES):
        exam.hear(said(meaning, by=Speaker.PATIENT))
        assert not exam.over
    exam.hear(said(Meaning.CONFIRM, by=Speaker.EXAMINER))
    assert exam.over


def test_a_bare_yes_of_nobody_known_does_not_confirm_and_a_typed_one_does() -> None:
    exam = at_form(Confirm, STARTED)
    exam.hear(said(Meaning.YES))
    assert not exam.over
    exam.hear(replace(said(Meaning.YES), typed=True))
    assert exam.over


def test_a_typed_confirm_counts_whoever_it_is_marked_as() -> None:
    """`confirm` questions can always be answered *confirm* by the line protocol (the contract)."""
    exam = at_form(Confirm, STARTED)
    exam.hear(replace(said(Meaning.YES, by=Speaker.PATIENT), typed=True))
    assert not exam.over
    exam.hear(replace(said(Meaning.CONFIRM, by=Speaker.PATIENT), typed=True))
    assert exam.over


def test_the_patient_leaves_no_step() -> None:
    for form in LENS_FORMS:
        exam = at_form(form, STARTED)
        before = exam.state.of(Eye.RIGHT).step
        exam.hear(said(Meaning.SKIP, by=Speaker.PATIENT))
        assert exam.state.of(Eye.RIGHT).step == before
    exam = Exam()
    exam.begin()
    assert isinstance(exam.question, Value)
    asked = exam.question
    exam.hear(said(Meaning.SKIP, by=Speaker.PATIENT))  # but may leave a question about themselves open
    assert exam.question != asked


def test_an_age_nobody_answers_at_is_told_twice_or_not_at_all() -> None:
    """ "One" at the age question is more likely a lens (design choice)."""
    exam = Exam(Start(pd=62))
    exam.begin()
    effects = exam.hear(said(Meaning.SET_AGE, 1))
    assert any(isinstance(effect, Say) and effect.key == "age_doubtful" for effect in effects)
    assert exam.state.age is None
    exam.hear(said(Meaning.SET_AGE, 2))
    assert exam.state.age is None
    exam.hear(said(Meaning.SET_AGE, 31))
    assert exam.state.age == 31
    child = Exam(Start(pd=62))
    child.begin()
    for _ in range(2):
        child.hear(said(Meaning.SET_AGE, plan.AGE_ANSWERS - 1))
    assert child.state.age == plan.AGE_ANSWERS - 1


def test_a_pd_hardly_anybody_has_is_told_twice_or_not_at_all() -> None:
    """Almost all adults have 45 to 80 mm, children from 40 (Dodgson, Proc SPIE 2004;5291)."""
    exam = Exam(Start(age=50))
    exam.begin()
    effects = exam.hear(said(Meaning.SET_PD, 42))
    assert any(isinstance(effect, Say) and effect.key == "pd_doubtful" for effect in effects)
    assert exam.state.pd is None and isinstance(exam.question, Value)
    exam.hear(said(Meaning.SET_PD, 62))
    assert exam.state.pd == 62
    exam.hear(said(Meaning.SET_PD, 44.5))  # as a command later, too
    assert exam.state.pd == 62
    exam.hear(said(Meaning.READ_BACK))
    exam.hear(said(Meaning.SET_PD, 44.5))  # "once more" is the next thing said
    assert exam.state.pd == 62
    exam.hear(said(Meaning.SET_PD, 44.5))
    assert exam.state.pd == 44.5
    assert not any(isinstance(effect, Say) for effect in exam.hear(said(Meaning.SET_PD, 41, by=Speaker.PATIENT)))
    usual = Exam(Start(age=50))
    usual.begin()
    usual.hear(said(Meaning.SET_PD, 45))
    assert usual.state.pd == 45


def test_a_command_in_a_break_is_told_that_it_pauses() -> None:
    exam = Exam(STARTED)
    exam.begin()
    exam.hear(said(Meaning.PAUSE))
    typed = Heard("two", Outcome.NOT_UNDERSTOOD, typed=True)
    for heard in (said(Meaning.WHY), typed):
        assert [effect.key for effect in exam.hear(heard) if isinstance(effect, Say)] == ["paused"]
    for talk in (Heard("the weather", Outcome.NOT_UNDERSTOOD), said(Meaning.FIRST, by=Speaker.PATIENT), SILENCE):
        assert not any(isinstance(effect, Say) for effect in exam.hear(talk))
    assert exam.state.paused


def test_who_comes_in_while_it_pauses_is_told_so() -> None:
    exam = Exam(Start(age=50, pd=62))
    exam.begin()
    exam.hear(said(Meaning.PAUSE))
    assert [effect.key for effect in exam.again() if isinstance(effect, Say)] == ["paused"]
    exam.hear(said(Meaning.RESUME))
    assert any(isinstance(effect, Ask) for effect in exam.again())


def test_an_eye_that_ends_is_told_with_its_lens() -> None:
    start = Start(age=40, pd=62, right=StartEye(STARTED.right.lens), manner=Manner(eyes=(Eye.RIGHT,)))
    exam = Exam(start)
    effects = sit(exam, honest())
    told = [effect for effect in effects if isinstance(effect, Say) and effect.key == "eye_done"]
    assert [effect.facts["eye"] for effect in told] == [Eye.RIGHT]
    assert told[0].facts["lens"] == exam.state.right.state.lens


def test_after_a_pause_or_for_somebody_new_the_lens_is_told_in_full() -> None:
    exam = at_form(Choice, STARTED)
    exam.hear(said(Meaning.PAUSE))
    for effects in (exam.hear(said(Meaning.RESUME)), exam.again()):
        told = [effect for effect in effects if isinstance(effect, Say) and effect.key == "other_eye"]
        assert [effect.facts["lens"] for effect in told] == [exam.state.of(exam.state.eye).state.lens]


@pytest.mark.parametrize("form", LENS_FORMS)
def test_a_question_put_again_tells_the_lens_again(form: type) -> None:
    exam = at_form(form, STARTED)
    for attempt in (1, 2):
        ask = next(effect for effect in exam.hear(SILENCE) if isinstance(effect, Ask))
        assert ask.attempt == attempt
        assert "right eye" in wording.question(ask).lower()


def test_asked_again_for_ever_an_eye_is_asked_eighty_times_at_most() -> None:
    """Every second question is answered only when it is put for the fifth time."""
    exam = Exam(Start(age=30, pd=62), weigh)
    effects = [*exam.begin()]
    answer = honest()
    for _ in range(2000):
        if exam.over:
            break
        question = exam.question
        assert question is not None
        if not isinstance(question, (Confirm, Value)):
            for _ in range(4):
                if exam.question == question:
                    effects += exam.hear(SILENCE)
        if not exam.over and exam.question is not None:
            effects += exam.hear(answer(exam.question))
    assert isinstance(effects[-1], Prescribe)
    for eye in (Eye.RIGHT, Eye.LEFT):
        assert 0 < len(questions(effects, eye)) <= plan.ASKED_MOST
    assert any(isinstance(effect, Flag) and effect.code == "too_many_questions" for effect in effects)
    assert not prescription(effects).right.complete
    assert go_on(exam, answer) == []


def test_commands_that_the_dials_cannot_follow_are_no_missed_answers() -> None:
    """Six of them in a row left a step behind, its acuity not taken."""
    exam = at_form(AcuityQuestion, Start(age=30, pd=62))
    asked = exam.question
    off = Heard("axis two hundred", Outcome.OUT_OF_RANGE, Meaning.SET_AXIS, 200)
    for _ in range(plan.MISSES_BEFORE_MOVING_ON + 2):
        effects = exam.hear(off)
        assert not any(isinstance(effect, Flag) for effect in effects)
        again = next(effect for effect in effects if isinstance(effect, Ask))
        assert again.attempt == 0  # no "I did not catch that": it was caught
    assert exam.question == asked


@pytest.mark.parametrize("command", [Meaning.REFINE, Meaning.RECHECK, Meaning.SWITCH_EYE])
def test_an_eye_gone_back_to_from_near_is_told_in_full(command: Meaning) -> None:
    """The add was on its dials, and the lens shown last was a pair's for both."""
    exam = at_step("near", start=Start(age=60, pd=62))
    exam.hear(said(Meaning.SECOND))
    told = [effect for effect in exam.hear(said(command)) if isinstance(effect, Say) and effect.key == "other_eye"]
    assert [effect.facts["lens"] for effect in told] == [exam.state.of(exam.state.eye).state.lens]


def test_undo_after_another_pair_does_not_speak_of_going_back_to_one() -> None:
    """ "Back to one" is the lens that was one in the pair just shown; after undo that is another pair."""
    exam = at_form(Choice, STARTED)
    exam.hear(said(Meaning.SECOND))
    while not isinstance(exam.question, Choice):
        exam.hear(honest()(exam.question))
    exam.hear(said(Meaning.FIRST))
    again = next(effect for effect in exam.hear(said(Meaning.UNDO)) if isinstance(effect, Ask))
    assert not again.back


def test_what_the_examiner_must_know_is_said_and_what_the_patient_need_not_hear_is_not() -> None:
    """Common practice, no source: what an answer makes of a patient is not said over the patient's head."""
    assert wording.aloud(Flag("no_answer", Eye.RIGHT, {"step": "over_minus"})).startswith("Right eye: no usable answer")
    assert "does not go there" in wording.aloud(
        Flag("dial_end", Eye.RIGHT, {"dial": "sphere", "at": 2100, "asked": True})
    )
    assert not wording.aloud(Flag("answers_do_not_fit", Eye.RIGHT, {"answers": 9, "against": 4}))
    assert not wording.aloud(Flag("red_flag", Eye.BOTH, {"told": "pain"}))

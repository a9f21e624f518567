"""The exam as a machine: every utterance in every state is used or refused, and a refused one changes nothing."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest
from sitting import (
    DOUBTFUL,
    SILENCE,
    STARTED,
    UNUSABLE,
    VALUES,
    at_form,
    at_step,
    by_form,
    flags,
    go_on,
    honest,
    place,
    prescription,
    questions,
    said,
    sit,
)

from assistant.optics.lens import Lens
from assistant.protocol import plan
from assistant.protocol.effects import Ask, Effect, Prescribe, Recorded, Say, ShowLens, Status, StepChange
from assistant.protocol.exam import Exam
from assistant.protocol.meanings import CHOICE_ANSWERS, LEGIBLE_ANSWERS, Heard, Meaning, Outcome, Speaker
from assistant.protocol.questions import AcuityQuestion, Choice, Confirm, Eye, Legible, Question, Value
from assistant.protocol.start import Start

FORMS: tuple[type[Question], ...] = (Choice, Legible, AcuityQuestion, Value, Confirm)
BY = (None, Speaker.PATIENT, Speaker.EXAMINER)

DIALS = (Meaning.SET_SPHERE, Meaning.SET_CYLINDER, Meaning.SET_AXIS)

# Commands that have to work whatever is asked (as the examiner, or unknown who).
EVERYWHERE = (
    Meaning.UNDO,
    Meaning.REPEAT,
    Meaning.READ_BACK,
    Meaning.PAUSE,
    Meaning.FINISH,
    Meaning.SWITCH_EYE,
    Meaning.NOTE,
    Meaning.SKIP,
    Meaning.NEXT,
    Meaning.WHY,
    Meaning.AGAIN,
    *DIALS,
    Meaning.SET_ACUITY,
    Meaning.SET_PD,
    Meaning.SET_ADD,
    Meaning.SET_AGE,
)
ANSWERS: dict[type[Question], frozenset[Meaning]] = {
    Choice: CHOICE_ANSWERS,
    Legible: LEGIBLE_ANSWERS,
    AcuityQuestion: frozenset({Meaning.SET_ACUITY, Meaning.NO, Meaning.UNSURE}),
    Value: frozenset({Meaning.SKIP, Meaning.UNSURE}),
    Confirm: frozenset({Meaning.CONFIRM}),
}


def utter(meaning: Meaning, by: Speaker | None = None) -> Heard:
    return said(meaning, VALUES.get(meaning.value), by=by)


def used(effects: tuple[Effect, ...]) -> bool:
    """Whether the utterance just heard was used; it is always recorded, first of all."""
    first = effects[0]
    assert isinstance(first, Recorded)
    assert not any(isinstance(effect, Recorded) for effect in effects[1:])
    return first.used


def hears(exam: Exam, heard: Heard) -> bool:
    effects = exam.hear(heard)
    assert isinstance(effects[0], Recorded)
    assert effects[0].heard == heard
    return used(effects)


@pytest.fixture(params=FORMS, ids=[form.form for form in FORMS])
def asking(request: pytest.FixtureRequest) -> Exam:
    """An exam at the first question of each form."""
    form = request.param
    return at_form(form, Start() if form is Value else STARTED)


# ----------------------------------------------------------------------------------------------- every cell
@pytest.mark.parametrize("by", BY, ids=str)
@pytest.mark.parametrize("meaning", list(Meaning), ids=str)
def test_every_meaning_is_used_or_changes_nothing(asking: Exam, meaning: Meaning, by: Speaker | None) -> None:
    before, question = asking.state, asking.question
    assert question is not None
    effects = asking.hear(utter(meaning, by))
    asked = [effect for effect in effects if isinstance(effect, Ask)]
    assert len(asked) <= 1
    if used(effects):
        answers = meaning in ANSWERS[type(question)]
        if answers and by is not Speaker.EXAMINER:
            assert asking.state != before
        return
    assert place(asking.state) == place(before)
    assert asking.question == question
    assert not any(isinstance(effect, (ShowLens, StepChange, Prescribe)) for effect in effects)
    assert [ask.question for ask in asked] in ([], [question])


@pytest.mark.parametrize(
    "heard",
    [SILENCE, *(replace(heard, by=by) for heard in UNUSABLE if heard is not SILENCE for by in BY)],
    ids=lambda heard: f"{heard.outcome.value}-{heard.by}",
)
def test_what_was_not_understood_changes_nothing(asking: Exam, heard: Heard) -> None:
    before = asking.state
    effects = asking.hear(heard)
    assert not used(effects)
    assert place(asking.state) == place(before)


@pytest.mark.parametrize("meaning", EVERYWHERE, ids=str)
@pytest.mark.parametrize("by", [None, Speaker.EXAMINER], ids=str)
def test_commands_work_whatever_is_asked(asking: Exam, meaning: Meaning, by: Speaker | None) -> None:
    effects = asking.hear(utter(meaning, by))
    assert used(effects)
    assert len(effects) > 1, "the examiner has to notice that it was heard"


def test_answers_are_taken_from_the_patient_and_where_nobody_can_tell_who_spoke(asking: Exam) -> None:
    question = asking.question
    # The read-back is the examiner's to confirm.
    known = (None,) if isinstance(question, Confirm) else (None, Speaker.PATIENT)
    for meaning, by in product(ANSWERS[type(question)], known):
        exam = at_form(type(question), Start() if isinstance(question, Value) else STARTED)
        assert hears(exam, utter(meaning, by)), meaning


@pytest.mark.parametrize("meaning", sorted(CHOICE_ANSWERS), ids=str)
def test_the_examiner_showing_the_lenses_is_never_an_answer(meaning: Meaning) -> None:
    """ "One ... or two?": the examiner's own words are the same as the answers."""
    exam = at_form(Choice, STARTED)
    before = exam.state
    for _ in range(20):
        assert not hears(exam, said(meaning, by=Speaker.EXAMINER))
    assert exam.state == before
    assert hears(exam, said(meaning, by=Speaker.PATIENT))


def test_the_examiners_question_is_neither_an_answer_nor_a_try() -> None:
    exam = at_form(Choice, STARTED)
    before = exam.state
    for by in (None, Speaker.EXAMINER):
        for _ in range(20):
            effects = exam.hear(said(Meaning.QUESTION, by=by))
            assert not questions(effects)
    assert exam.state == before


@pytest.mark.parametrize(
    "meaning",
    [Meaning.UNDO, Meaning.FINISH, Meaning.SWITCH_EYE, Meaning.PAUSE, Meaning.NEXT, *DIALS, Meaning.SET_ADD],
    ids=str,
)
def test_a_patient_cannot_command(asking: Exam, meaning: Meaning) -> None:
    before = asking.state
    assert not hears(asking, utter(meaning, Speaker.PATIENT))
    assert place(asking.state) == place(before)


# --------------------------------------------------------------------------------------------- asking again
@pytest.mark.parametrize("form", [Choice, Legible, AcuityQuestion, Value], ids=lambda form: form.form)
def test_a_doubtful_answer_is_asked_again_then_typed_then_left_with_a_caution(form: type[Question]) -> None:
    asking = at_form(form, Start() if form is Value else STARTED)
    question = asking.question
    doubtful = Heard("two", Outcome.DOUBTFUL, Meaning.SECOND, score=-4.0)
    said_keys: list[str] = []
    attempts = []
    for _ in range(plan.MISSES_BEFORE_MOVING_ON):
        effects = asking.hear(doubtful)
        said_keys += [effect.key for effect in effects if isinstance(effect, Say)]
        attempts += [ask.attempt for ask in questions(effects) if ask.question == question]
    assert attempts[: plan.MISSES_BEFORE_MOVING_ON - 1] == list(range(1, plan.MISSES_BEFORE_MOVING_ON))
    assert "type_or_say" in said_keys
    assert "no_answer" in flags(effects)
    assert asking.question != question


@pytest.mark.parametrize("form", [Choice, Legible, AcuityQuestion, Value], ids=lambda form: form.form)
def test_a_new_answer_forgets_the_tries_before(form: type[Question]) -> None:
    asking = at_form(form, Start() if form is Value else STARTED)
    asking.hear(DOUBTFUL)
    assert asking.question is not None
    effects = asking.hear(by_form()(asking.question))
    assert questions(effects)[0].attempt == 0


def test_talk_in_the_room_is_no_try_until_it_goes_on(asking: Exam) -> None:
    mumble = Heard("did you see the match", Outcome.NOT_UNDERSTOOD)
    first = asking.hear(mumble)
    assert not questions(first)
    for _ in range(plan.UNCLEAR_BEFORE_ASKING - 1):
        later = asking.hear(mumble)
    assert questions(later)


def test_the_examiners_talk_is_never_a_try(asking: Exam) -> None:
    before = asking.state
    for _ in range(30):
        effects = asking.hear(Heard("look straight ahead", Outcome.NOT_UNDERSTOOD, by=Speaker.EXAMINER))
        assert len(effects) == 1
    assert asking.state == before


def test_a_number_off_the_dial_is_told_what_is_allowed(asking: Exam) -> None:
    effects = asking.hear(Heard("axis two hundred", Outcome.OUT_OF_RANGE, Meaning.SET_AXIS, 200))
    assert "out_of_range" in [effect.key for effect in effects if isinstance(effect, Say)]


# ------------------------------------------------------------------------------------------------- the dials
@pytest.mark.parametrize(
    ("meaning", "value"), [(Meaning.SET_SPHERE, -325), (Meaning.SET_CYLINDER, -125), (Meaning.SET_AXIS, 77)]
)
def test_a_dial_set_by_command_is_shown_and_the_search_goes_on_from_there(
    asking: Exam, meaning: Meaning, value: int
) -> None:
    dial = meaning.value.removeprefix("set_")
    effects = asking.hear(said(meaning, value, by=Speaker.EXAMINER))
    shown = [effect.lens for effect in effects if isinstance(effect, ShowLens)]
    assert len(shown) == 1
    assert getattr(shown[0], dial) == value
    question = asking.question
    if isinstance(question, Choice):
        assert question.first.with_cross(None) == shown[0]


def test_the_other_dials_stay_where_they_are() -> None:
    exam = at_form(Choice, STARTED)
    lens = exam.state.right.state.lens
    for meaning, value in ((Meaning.SET_AXIS, 77), (Meaning.SET_SPHERE, 100), (Meaning.SET_CYLINDER, -200)):
        dial = meaning.value.removeprefix("set_")
        effects = exam.hear(said(meaning, value, by=Speaker.EXAMINER))
        shown = next(effect.lens for effect in effects if isinstance(effect, ShowLens))
        others = {"sphere", "cylinder", "axis"} - {dial}
        assert {name: getattr(shown, name) for name in others} == {name: getattr(lens, name) for name in others}
        lens = shown


@pytest.mark.parametrize(
    ("meaning", "value"), [(Meaning.SET_SPHERE, 2025), (Meaning.SET_SPHERE, -2025), (Meaning.SET_CYLINDER, -825)]
)
def test_a_dial_set_beyond_its_end_is_a_caution_and_no_lens(asking: Exam, meaning: Meaning, value: int) -> None:
    before = asking.state
    effects = asking.hear(said(meaning, value))
    assert "dial_end" in flags(effects)
    assert not any(isinstance(effect, ShowLens) for effect in effects)
    assert place(asking.state) == place(before)


# ------------------------------------------------------------------------------------------------- the values
@pytest.mark.parametrize(
    ("meaning", "value", "field"),
    [(Meaning.SET_PD, 61.5, "pd"), (Meaning.SET_ADD, 175, "add"), (Meaning.SET_ACUITY, "20/30", "acuity")],
)
def test_a_value_put_on_record_stands_in_the_draft(meaning: Meaning, value: int | float | str, field: str) -> None:
    """Nothing recorded is lost."""
    exam = at_form(Confirm, STARTED)
    exam.hear(said(meaning, value))
    effects = go_on(exam, by_form())
    draft = prescription(effects)
    eye = draft.right if exam.state.eye is Eye.RIGHT else draft.left
    assert (draft.pd if field == "pd" else getattr(eye, field)) == value


def test_an_age_and_a_pd_are_asked_for_once_and_only_where_not_known() -> None:
    asked = [ask.question.of for ask in questions(sit(Exam(), by_form())) if isinstance(ask.question, Value)]
    assert len(asked) == len(set(asked))
    assert {"age", "pd"} <= set(asked)
    known = [ask.question.of for ask in questions(sit(Exam(STARTED), by_form())) if isinstance(ask.question, Value)]
    assert not {"age", "pd"} & set(known)


# --------------------------------------------------------------------------------------------- pause, skip, finish
def test_paused_no_answer_is_taken_and_nothing_is_asked(asking: Exam) -> None:
    question = asking.question
    asking.hear(said(Meaning.PAUSE))
    before = asking.state
    for meaning in (*ANSWERS[type(question)] - {Meaning.SKIP, Meaning.CONFIRM}, Meaning.FIRST, Meaning.YES):
        for by in (None, Speaker.PATIENT):
            effects = asking.hear(utter(meaning, by))
            assert not used(effects)
            assert not questions(effects)
    for heard in UNUSABLE:
        for _ in range(plan.MISSES_BEFORE_MOVING_ON + 1):
            assert not questions(asking.hear(heard))
    assert asking.state == before
    resumed = asking.hear(said(Meaning.RESUME))
    assert [ask.question for ask in questions(resumed)] == [question]


@pytest.mark.parametrize(
    "meaning",
    [Meaning.FINISH, Meaning.SKIP, Meaning.SWITCH_EYE, Meaning.NOTE, Meaning.READ_BACK, Meaning.RESUME, Meaning.UNDO],
    ids=str,
)
def test_paused_the_examiner_is_still_obeyed(asking: Exam, meaning: Meaning) -> None:
    asking.hear(said(Meaning.PAUSE))
    effects = asking.hear(utter(meaning, Speaker.EXAMINER))
    assert used(effects)
    assert len(effects) > 1


def test_a_note_keeps_its_words_and_moves_nothing(asking: Exam) -> None:
    before = asking.state
    note = utter(Meaning.NOTE)
    effects = asking.hear(note)
    assert effects[0] == Recorded(note, used=True)
    assert place(asking.state) == place(before)


def test_read_back_says_the_dials_of_the_eye(asking: Exam) -> None:
    asking.hear(said(Meaning.SET_SPHERE, -375))
    effects = asking.hear(said(Meaning.READ_BACK))
    told = [effect for effect in effects if isinstance(effect, Say)]
    assert any(isinstance(fact, Lens) and fact.sphere == -375 for say in told for fact in say.facts.values())


def test_skip_leaves_the_step_with_the_lens_as_it_is() -> None:
    exam = at_step("axis")
    lens = exam.question.first.with_cross(None)
    effects = exam.hear(said(Meaning.SKIP))
    assert StepChange(Eye.RIGHT, "axis", Status.SKIPPED) in effects
    assert exam.question is not None
    assert exam.question.step != "axis"
    assert not any(isinstance(effect, ShowLens) for effect in effects)
    question = exam.question
    assert isinstance(question, Choice)
    assert question.first.with_cross(None) == lens


@pytest.mark.parametrize("meaning", [Meaning.SKIP, Meaning.NEXT], ids=str)
def test_leaving_the_acuity_open_goes_on(meaning: Meaning) -> None:
    exam = at_step("acuity")
    asked = []
    for _ in range(4):
        assert exam.question is not None
        asked.append(exam.question.step)
        exam.hear(said(meaning))
    assert asked.count("acuity") == 1


def test_an_eye_with_every_step_skipped_is_not_called_complete() -> None:
    exam = Exam(STARTED)
    effects = sit(exam, lambda question: said(Meaning.CONFIRM if isinstance(question, Confirm) else Meaning.SKIP))
    draft = prescription(effects)
    assert not draft.right.complete
    assert not draft.left.complete


def test_a_read_back_nobody_confirms_ends_unconfirmed() -> None:
    exam = at_form(Confirm, STARTED)
    effects = []
    for _ in range(plan.MISSES_BEFORE_ENDING):
        assert not exam.over
        effects += exam.hear(SILENCE)
    assert exam.over
    assert not prescription(effects).confirmed
    assert "not_confirmed" in flags(effects)


def test_finish_reads_back_and_the_confirmed_draft_is_the_last_word(asking: Exam) -> None:
    asking.hear(said(Meaning.FINISH))
    if not asking.over:
        assert isinstance(asking.question, Confirm)
        effects = asking.hear(said(Meaning.CONFIRM))
        assert prescription(effects).confirmed
        assert [effect for effect in effects if not isinstance(effect, StepChange)][-1] == prescription(effects)
    assert asking.over


@pytest.mark.parametrize("step", ["entering", "axis", "power", "over_minus"])
def test_an_eye_left_before_its_end_is_not_called_complete(step: str) -> None:
    exam = at_step(step, start=STARTED if step != "entering" else Start())
    exam.hear(said(Meaning.FINISH))
    draft = prescription(go_on(exam, by_form()))
    assert not draft.right.complete
    assert not draft.left.complete


def test_an_eye_that_was_never_looked_at_has_no_powers() -> None:
    exam = at_step("entering", start=Start())
    exam.hear(said(Meaning.FINISH))
    left = prescription(go_on(exam, by_form())).left
    assert (left.sphere, left.cylinder, left.axis, left.acuity) == (None, None, None, None)


def test_the_end_of_the_input_keeps_what_was_done_unconfirmed(asking: Exam) -> None:
    lens = None
    if isinstance(asking.question, (Legible, Choice)):
        asking.hear(said(Meaning.SET_SPHERE, -325))
        lens = -325
    effects = asking.close()
    draft = prescription(effects)
    assert not draft.confirmed
    assert "not_confirmed" in flags(effects)
    assert [effect for effect in effects if not isinstance(effect, StepChange)][-1] == draft
    assert lens is None or draft.right.sphere == lens
    assert asking.over
    assert asking.close() == ()


def test_after_the_end_everything_is_recorded_and_nothing_happens() -> None:
    exam = Exam(STARTED)
    sit(exam, by_form())
    before = exam.state
    for meaning, by in product(Meaning, BY):
        heard = utter(meaning, by)
        assert exam.hear(heard) == (Recorded(heard, used=False),)
    assert exam.state == before
    assert exam.question is None


# ---------------------------------------------------------------------------------------------------- two eyes
def test_right_eye_first_then_left_each_step_begun_is_ended() -> None:
    """Right eye first by custom."""
    effects = sit(Exam(), by_form())
    eyes = [ask.question.eye for ask in questions(effects) if ask.question.eye is not Eye.BOTH]
    assert eyes == sorted(eyes, key=[Eye.RIGHT, Eye.LEFT].index)
    assert set(eyes) == {Eye.RIGHT, Eye.LEFT}
    open_steps: list[tuple[Eye, str]] = []
    for change in (effect for effect in effects if isinstance(effect, StepChange)):
        if change.status is Status.BEGUN:
            assert not open_steps, change
            open_steps.append((change.eye, change.step))
        elif change.step != "read_back" and open_steps:
            ended = (change.eye, change.step)
            assert ended == open_steps[-1] or change.status is Status.SKIPPED
            if ended == open_steps[-1]:
                open_steps.pop()
    assert not open_steps


@pytest.mark.parametrize("start", [Start(), STARTED])
def test_every_step_of_the_plan_is_done_or_said_to_be_skipped(start: Start) -> None:
    effects = sit(Exam(start), honest())
    for eye in (Eye.RIGHT, Eye.LEFT):
        ended = {
            change.step
            for change in effects
            if isinstance(change, StepChange) and change.eye is eye and change.status is not Status.BEGUN
        }
        known = {"entering"} if start is STARTED else set()
        assert {rule.id for rule in plan.EACH_EYE} - known <= ended


@pytest.mark.parametrize(("named", "eye"), [("left", Eye.LEFT), ("right", Eye.RIGHT), (None, Eye.LEFT)])
def test_switching_eyes_goes_there_and_back_without_losing_the_place(named: str | None, eye: Eye) -> None:
    exam = at_step("axis", honest())
    right = exam.state.right
    exam.hear(said(Meaning.SWITCH_EYE, named))
    assert exam.question is not None
    assert exam.question.eye is eye
    exam.hear(said(Meaning.SWITCH_EYE, "right"))
    assert exam.question is not None
    assert exam.question.eye is Eye.RIGHT
    assert exam.question.step == "axis"
    assert exam.state.right.state == right.state
    draft = prescription(go_on(exam, honest()))
    assert draft.right.complete
    assert draft.left.complete


def test_both_eyes_are_done_whichever_came_first() -> None:
    exam = at_step("sphere", honest(), Start())
    exam.hear(said(Meaning.SWITCH_EYE, "left"))
    draft = prescription(go_on(exam, honest()))
    assert draft.right.complete
    assert draft.left.complete


# -------------------------------------------------------------------------------------------------------- undo
def test_undo_goes_back_one_answer_at_a_time_to_the_very_beginning() -> None:
    exam = Exam()
    exam.begin()
    places = []
    replies = iter([Meaning.FIRST, Meaning.SECOND, Meaning.SAME, Meaning.SECOND, Meaning.SECOND, Meaning.FIRST] * 40)
    while not isinstance(exam.question, Confirm):
        assert exam.question is not None
        places.append(place(exam.state))
        answer = by_form(choice=next(replies)) if isinstance(exam.question, Choice) else by_form()
        exam.hear(answer(exam.question))
    assert len(places) > 30
    for before in reversed(places):
        effects = exam.hear(said(Meaning.UNDO))
        assert place(exam.state) == before
        assert [ask.question for ask in questions(effects)] == [before.question]
    assert "nothing_to_undo" in [effect.key for effect in exam.hear(said(Meaning.UNDO)) if isinstance(effect, Say)]
    assert place(exam.state) == places[0]


@pytest.mark.parametrize("meaning", [*DIALS, Meaning.SET_ACUITY, Meaning.SET_PD, Meaning.SET_ADD], ids=str)
def test_undo_takes_back_what_was_set(asking: Exam, meaning: Meaning) -> None:
    before = place(asking.state)
    asking.hear(utter(meaning))
    asking.hear(said(Meaning.UNDO))
    assert place(asking.state) == before


def test_undo_takes_back_a_step_that_was_skipped() -> None:
    for step in ("sphere", "axis", "power", "sphere_again", "acuity", "over_minus"):
        exam = at_step(step)
        before = place(exam.state)
        exam.hear(said(Meaning.SKIP))
        assert place(exam.state) != before
        exam.hear(said(Meaning.UNDO))
        assert place(exam.state) == before


def test_undo_shows_the_lens_that_stood_before() -> None:
    exam = at_form(Choice, STARTED)
    question = exam.question
    assert isinstance(question, Choice)
    exam.hear(said(Meaning.SET_SPHERE, -700))
    effects = exam.hear(said(Meaning.UNDO))
    assert [effect.lens for effect in effects if isinstance(effect, ShowLens)] == [question.first.with_cross(None)]


def test_an_answer_after_undo_counts_as_if_it_were_the_first() -> None:
    straight, corrected = at_form(Choice, STARTED), at_form(Choice, STARTED)
    corrected.hear(said(Meaning.FIRST))
    corrected.hear(said(Meaning.UNDO))
    for exam in (straight, corrected):
        exam.hear(said(Meaning.SECOND))
    assert place(straight.state) == place(corrected.state)

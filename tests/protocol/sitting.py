"""Exams that are sat in a test: utterances, answers by the question's form, and what the dials show meanwhile."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

from foreign import ForeignPatient, Rules

from assistant.optics.lens import Lens
from assistant.protocol import plan
from assistant.protocol.effects import Ask, Effect, Flag, Prescribe, ShowLens
from assistant.protocol.exam import Exam, State
from assistant.protocol.instrument import MINUS_HEAD, Instrument
from assistant.protocol.meanings import Heard, Meaning, Outcome, Speaker
from assistant.protocol.questions import AcuityQuestion, Choice, Confirm, Eye, Legible, Question, Value
from assistant.protocol.start import Start, StartEye

Answer = Callable[[Question], Heard]

SILENCE = Heard("", Outcome.SILENCE)
MUMBLE = Heard("the weather", Outcome.NOT_UNDERSTOOD)
DOUBTFUL = Heard("two", Outcome.DOUBTFUL, Meaning.SECOND, score=-4.0)
OFF_THE_DIAL = Heard("axis two hundred", Outcome.OUT_OF_RANGE, Meaning.SET_AXIS, 200)
UNUSABLE = (SILENCE, MUMBLE, DOUBTFUL, OFF_THE_DIAL)

# A value each meaning with one can have, by name.
VALUES: dict[str, int | float | str] = {
    "set_sphere": -150,
    "set_cylinder": -75,
    "set_axis": 35,
    "set_acuity": "20/30",
    "set_pd": 61.5,
    "set_near_pd": 58.5,
    "set_add": 125,
    "set_age": 47,
    "set_vertex": 12,
    "power_at": 90,
    "note": "wears them for driving",
    "reason": "tired eyes",
    "red_flag": "flashes",
    "cylinder_by": "cross",
}
MOST_HEARD = 3000  # utterances after which a test's exam counts as endless


def said(
    meaning: Meaning, value: int | float | str | None = None, by: Speaker | None = None, hedged: bool = False
) -> Heard:
    """An utterance heard for sure."""
    return Heard(meaning.value.replace("_", " "), Outcome.HEARD, meaning, value, by=by, hedged=hedged)


def lenses(effect: Effect) -> Iterator[Lens]:
    """Every lens an effect speaks of."""
    if isinstance(effect, ShowLens):
        yield effect.lens
    elif isinstance(effect, Ask):
        yield from lenses_of(effect.question)


def lenses_of(question: Question) -> tuple[Lens, ...]:
    if isinstance(question, Choice):
        return question.first, question.second
    if isinstance(question, (Legible, AcuityQuestion)):
        return (question.lens,)
    return ()


def on_the_dials(lens: Lens, head: Instrument = MINUS_HEAD) -> bool:
    """Whether a refractor head can show it: ends and quarter clicks."""
    sphere = lens.sphere + lens.cylinder if head.plus else lens.sphere
    return (
        plan.SPHERE_LOW <= sphere <= plan.SPHERE_HIGH
        and plan.CYLINDER_LOW <= lens.cylinder <= 0
        and lens.sphere % 25 == 0
        and lens.cylinder % 25 == 0
    )


def by_form(
    choice: Meaning = Meaning.FIRST,
    legible: Meaning = Meaning.NO,
    acuity: str | Meaning = "20/20",
    confirm: Meaning = Meaning.CONFIRM,
) -> Answer:
    """Someone who gives one answer to each form of question, whatever is shown; values are skipped."""

    def answer(question: Question) -> Heard:
        if isinstance(question, Choice):
            return said(choice, by=Speaker.PATIENT)
        if isinstance(question, Legible):
            return said(legible, by=Speaker.PATIENT)
        if isinstance(question, AcuityQuestion):
            if isinstance(acuity, Meaning):
                return said(acuity)
            return said(Meaning.SET_ACUITY, acuity)
        if isinstance(question, Value):
            return said(Meaning.SKIP)
        assert isinstance(question, Confirm)
        return said(confirm)

    return answer


def sit(exam: Exam, answer: Answer, until: Callable[[Question], bool] | None = None) -> list[Effect]:
    """Sit an exam from its beginning to its end, or to the first question that `until` picks."""
    return [*exam.begin(), *go_on(exam, answer, until)]


def go_on(exam: Exam, answer: Answer, until: Callable[[Question], bool] | None = None) -> list[Effect]:
    """As `sit`, an exam that has begun."""
    effects: list[Effect] = []
    for _ in range(MOST_HEARD):
        if exam.over or (until is not None and exam.question is not None and until(exam.question)):
            return effects
        assert exam.question is not None, "an exam that is not over has a question"
        effects += exam.hear(answer(exam.question))
    raise AssertionError(f"{MOST_HEARD} utterances and no end; it asks {exam.question}")


def at_form(form: type[Question], start: Start | None = None) -> Exam:
    """An exam that stands at the first question of a form."""
    exam = Exam(start or Start())
    sit(exam, honest(), until=lambda question: isinstance(question, form))
    assert isinstance(exam.question, form)
    return exam


def at_step(step: str, answer: Answer | None = None, start: Start | None = None) -> Exam:
    """An exam that stands at the first question of a step; by default the eye has astigmatism."""
    exam = Exam(start or STARTED)
    sit(exam, answer or honest(), until=lambda question: question.step == step)
    assert exam.question is not None
    assert exam.question.step == step
    return exam


STARTED = Start(StartEye(Lens.of(-2.0, -1.5, 30), "20/25"), StartEye(Lens.of(-1.5, -1.0, 150), "20/25"), pd=62, age=30)
"""Old glasses with a cylinder: every step has something to do."""


def questions(effects: Iterable[Effect], eye: Eye | None = None) -> list[Ask]:
    return [effect for effect in effects if isinstance(effect, Ask) and (eye is None or effect.question.eye is eye)]


def flags(effects: Iterable[Effect], eye: Eye | None = None) -> set[str]:
    return {effect.code for effect in effects if isinstance(effect, Flag) and (eye is None or effect.eye is eye)}


def prescription(effects: Iterable[Effect]) -> Prescribe:
    found = [effect for effect in effects if isinstance(effect, Prescribe)]
    assert len(found) == 1, "an exam gives one draft"
    return found[0]


def honest(seed: int = 0) -> Answer:
    """A patient whose eyes need about what `STARTED` has, seen exactly and told truly."""
    return ForeignPatient(Rules(), (-2.25, -1.25, 35, 0.0), (-1.5, -0.75, 145, 0.0), seed, age=30).hear


def place(state: State) -> State:
    """Where an exam stands, without the counts of how often it asked and what it warned of: what undo brings back."""
    return replace(
        state,
        right=replace(state.right, asked=0, told=None),
        left=replace(state.left, asked=0, told=None),
        tries=0,
        unclear=0,
        dials=None,
        pinhole=False,
        raised=(),
    )

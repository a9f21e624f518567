"""The exam: what was heard goes in, effects come out.

Two rules:

1. The exam is a value that moves from state to state. Every accepted answer or setting keeps the state before it,
   so *undo* goes back any number of times, and replaying the log's utterances gives the live state exactly.
2. An utterance that cannot be used changes nothing but the count of tries: it is recorded, and the question stands.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from . import closing, plan
from .commands import Commands
from .course import Course
from .effects import Effect, Flag, Recorded
from .instrument import Instrument
from .meanings import CHOICE_ANSWERS, LEGIBLE_ANSWERS, Heard, Meaning, Outcome, Speaker
from .progress import State
from .questions import AcuityQuestion, Choice, Confirm, Eye, Legible, Question, Value
from .start import Start
from .way import VALUE_ANSWERS, Way
from .weighing import Weigh

_NUMBER_COMMANDS = frozenset(
    {
        Meaning.SET_SPHERE,
        Meaning.SET_CYLINDER,
        Meaning.SET_AXIS,
        Meaning.SET_ACUITY,
        Meaning.SET_PD,
        Meaning.SET_ADD,
        Meaning.SET_AGE,
        Meaning.SET_NEAR_PD,
        Meaning.SET_VERTEX,
    }
)
# What a patient's voice may do where two microphones tell who spoke: answer, and ask to see it again.
_PATIENT_MAY = (
    CHOICE_ANSWERS
    | LEGIBLE_ANSWERS
    | {
        Meaning.AGAIN,
        Meaning.REPEAT,
        Meaning.SET_ACUITY,
        Meaning.SET_PD,
        Meaning.SET_AGE,
        Meaning.RED_FLAG,
        Meaning.REASON,
    }
)


class Exam:
    """One exam, from the first question to the draft prescription.

    `begin()` starts it, `hear(heard)` takes one utterance, `close()` ends the input (all that was done is kept).
    Each returns the effects to carry out, in order. After the exam is over, `hear` records and changes nothing.

    `weigh` says what all answers of an eye together point to (see `protocol.weighing`); without it the steps stand
    as they are. A replay needs the same one to come to the same lenses.
    """

    def __init__(self, start: Start | None = None, weigh: Weigh | None = None) -> None:
        self._course = Course(start if start is not None else Start(), weigh)
        self._way = Way(self._course)
        self._commands = Commands(self._way)

    @property
    def start(self) -> Start:
        return self._course.start

    @property
    def weigh(self) -> Weigh | None:
        return self._course.weigh

    @property
    def state(self) -> State:
        """All there is to know about the exam now."""
        return self._course.state

    @property
    def instrument(self) -> Instrument:
        """The refractor head the prompts and the dial commands speak of."""
        return self._course.instrument

    @property
    def question(self) -> Question | None:
        """The question that stands, or None once the exam is over."""
        return self._course.state.question

    @property
    def over(self) -> bool:
        return self._course.state.over

    def begin(self) -> tuple[Effect, ...]:
        self._course.say("welcome", {"patient": self._course.start.patient})
        for code in self._course.state.room.red_flags:
            self._course.caution((Flag("red_flag", Eye.BOTH, {"told": code}),))
        self._way.go_on()
        return self._course.flush()

    def hear(self, heard: Heard) -> tuple[Effect, ...]:
        """Take one utterance (or silence) and say what follows."""
        if self._course.state.over:
            self._course.give(Recorded(heard, used=False))
            return self._course.flush()
        handler = self._handler(heard)
        doubted = self._course.state.doubted
        if heard.accepted and doubted is not None and doubted != (heard.meaning, heard.value):
            self._course.state = replace(self._course.state, doubted=None)  # to be said once more, and was not
        self._course.give(Recorded(heard, used=handler is not None))
        if handler is not None:
            handler(heard)
        else:
            self._unusable(heard)
        return self._course.flush()

    def again(self) -> tuple[Effect, ...]:
        """The question that stands, for someone who has just come in; nothing about the exam changes."""
        question = self._course.state.question
        if self._course.state.paused:
            self._course.say("paused")
        elif question is not None:
            self._course.ask_afresh(counted=False)
        return self._course.flush()

    def close(self) -> tuple[Effect, ...]:
        """The input has ended: the draft is given out with what there is."""
        if not self._course.state.over:
            self._course.caution(closing.cautions(self._course.state, self._course.start))
            self._way.finish(confirmed=False)
        return self._course.flush()

    def _handler(self, heard: Heard) -> Callable[[Heard], None] | None:
        """What to do with an utterance, or None when it cannot be used now."""
        if not heard.accepted or heard.meaning is None:
            return None
        meaning, question = heard.meaning, self._course.state.question
        told = isinstance(question, Value) and meaning is Meaning.SKIP  # of themselves: "I'd rather not say"
        told |= isinstance(question, Confirm) and meaning is Meaning.CONFIRM and heard.typed  # meant, whoever said it
        if heard.by is Speaker.PATIENT and meaning not in _PATIENT_MAY and not told:
            return None
        if heard.by is Speaker.EXAMINER and isinstance(question, Choice) and meaning in CHOICE_ANSWERS:
            return None  # the examiner shows the lenses with the same words; only the patient answers
        if meaning is Meaning.NOTE:
            return self._commands.note
        if self._course.state.paused:
            if heard.by is Speaker.PATIENT:
                return None
            return {
                Meaning.RESUME: self._commands.resume,
                Meaning.FINISH: self._commands.finish_early,
                Meaning.READ_BACK: self._commands.read_back,
                Meaning.UNDO: self._commands.undo,
                Meaning.SKIP: self._commands.skip,
                Meaning.SWITCH_EYE: self._commands.switch_eye,
            }.get(meaning)
        if isinstance(question, Confirm) and meaning is Meaning.YES:
            # A bare yes may be the patient's, to somebody else: only where it is known not to be, it confirms.
            return self._answer if heard.by is Speaker.EXAMINER or (heard.typed and heard.by is None) else None
        if self._doubtful(heard) and (heard.by is not Speaker.PATIENT or self._answers(question, meaning)):
            return self._doubt
        if self._answers(question, meaning):
            return self._answer
        if meaning in _NUMBER_COMMANDS:
            return None if heard.by is Speaker.PATIENT else self._commands.set
        return {
            Meaning.UNDO: self._commands.undo,
            Meaning.REPEAT: self._commands.repeat,
            Meaning.AGAIN: self._commands.again,
            Meaning.READ_BACK: self._commands.read_back,
            Meaning.NEXT: self._commands.next,
            Meaning.SKIP: self._commands.skip,
            Meaning.PAUSE: self._commands.pause,
            Meaning.SWITCH_EYE: self._commands.switch_eye,
            Meaning.FINISH: self._commands.finish_early,
            Meaning.WHY: self._commands.why,
            Meaning.QUESTION: self._commands.examiner_asks,
            Meaning.RESUME: self._commands.repeat,
            Meaning.RED_FLAG: self._way.red_flag,
            Meaning.REASON: self._commands.reason,
            Meaning.POWER_AT: self._commands.power_at,
            Meaning.TRANSPOSE: self._commands.transpose,
            Meaning.REFINE: self._commands.refine,
            Meaning.RECHECK: self._commands.recheck,
            Meaning.NEAR: self._commands.want,
            Meaning.INTERMEDIATE: self._commands.want,
            Meaning.BALANCE: self._commands.want,
            Meaning.DUOCHROME: self._commands.duochrome,
            Meaning.CYLINDER_BY: self._commands.cylinder_by,
        }.get(meaning)

    @staticmethod
    def _answers(question: Question | None, meaning: Meaning) -> bool:
        if isinstance(question, Choice):
            return meaning in CHOICE_ANSWERS
        if isinstance(question, Legible):
            return meaning in LEGIBLE_ANSWERS
        if isinstance(question, AcuityQuestion):
            return meaning in (Meaning.SET_ACUITY, Meaning.NO, Meaning.UNSURE)
        if isinstance(question, Value):
            return meaning in (*VALUE_ANSWERS[question.of], Meaning.SKIP, Meaning.UNSURE)
        return isinstance(question, Confirm) and meaning is Meaning.CONFIRM

    def _answer(self, heard: Heard) -> None:
        self._course.remember()
        question = self._course.state.question
        if isinstance(question, Confirm):
            self._way.finish(confirmed=True)
            return
        if isinstance(question, Value) and self._course.state.setting_up:
            self._way.value(question.of, heard)
        elif self._way.both.going:
            self._way.both.answer(heard)
        else:
            self._way.eye.answer(heard)
        self._way.go_on()

    def _doubtful(self, heard: Heard) -> bool:
        """An age at which nobody answers such questions (more likely "one", for a lens), a PD that hardly anybody has:
        told twice, it counts."""
        value = heard.value
        if not isinstance(value, (int, float)) or self._course.state.doubted == (heard.meaning, value):
            return False
        if heard.meaning is Meaning.SET_AGE:
            return value < plan.AGE_ANSWERS
        return heard.meaning is Meaning.SET_PD and not plan.PD_ADULT[0] <= value <= plan.PD_ADULT[1]

    def _doubt(self, heard: Heard) -> None:
        assert heard.meaning is not None and isinstance(heard.value, (int, float))
        self._course.state = replace(self._course.state, doubted=(heard.meaning, heard.value))
        name = "age" if heard.meaning is Meaning.SET_AGE else "pd"
        self._course.say(f"{name}_doubtful", {name: heard.value})
        self._course.ask(tries=0)

    def _unusable(self, heard: Heard) -> None:
        if self._course.state.paused:
            # Talk goes on in a break; what was typed, or is a command for another time, was meant for the assistant.
            if heard.by is not Speaker.PATIENT and heard.text and (heard.typed or heard.accepted):
                self._course.say("paused")
            return
        if heard.by is Speaker.EXAMINER and (heard.accepted or heard.outcome is Outcome.NOT_UNDERSTOOD):
            return  # the examiner talking to the patient: nothing was asked of the assistant
        if heard.outcome is Outcome.NOT_UNDERSTOOD and not heard.typed:
            # Talk in the room is no answer gone wrong; but twice in a row may be one.
            unclear = self._course.state.unclear + 1
            self._course.state = replace(self._course.state, unclear=unclear % plan.UNCLEAR_BEFORE_ASKING)
            if unclear < plan.UNCLEAR_BEFORE_ASKING:
                return
        if heard.outcome is Outcome.OUT_OF_RANGE:
            self._course.say("out_of_range", {"meaning": heard.meaning, "value": heard.value})
            if heard.meaning is not None and not self._answers(self._course.state.question, heard.meaning):
                # A command that could not be followed is no answer, and none that was missed.
                self._course.ask(tries=self._course.state.tries, counted=False)
                return
        self._way.tried()

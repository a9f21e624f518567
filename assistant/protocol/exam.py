"""The exam: what was heard goes in, effects come out.

Two rules:

1. The exam is a value that moves from state to state. Every accepted answer or setting keeps the state before it,
   so *undo* goes back any number of times, and replaying the log's utterances gives the live state exactly.
2. An utterance that cannot be used changes nothing but the count of tries: it is recorded, and the question stands.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from ..optics.lens import Lens, wrap_axis
from . import plan, route
from .effects import (
    Ask,
    Effect,
    EyeResult,
    Flag,
    Prescribe,
    Recorded,
    Say,
    ShowLens,
    Status,
    StepChange,
)
from .eye import EyeState, line_feet, sphere_within
from .meanings import CHOICE_ANSWERS, LEGIBLE_ANSWERS, Heard, Meaning, Outcome, Speaker
from .questions import AcuityQuestion, Choice, Confirm, Eye, Legible, Question, Value
from .start import Start
from .steps.base import Step

_SETTING_UP = tuple(rule.id for rule in plan.SETTING_UP)
_NUMBER_COMMANDS = frozenset(
    {
        Meaning.SET_SPHERE,
        Meaning.SET_CYLINDER,
        Meaning.SET_AXIS,
        Meaning.SET_ACUITY,
        Meaning.SET_PD,
        Meaning.SET_ADD,
        Meaning.SET_AGE,
    }
)
# What a patient's voice may do where two microphones tell who spoke: answer, and ask to see it again.
_PATIENT_MAY = CHOICE_ANSWERS | LEGIBLE_ANSWERS | {
    Meaning.AGAIN,
    Meaning.REPEAT,
    Meaning.SET_ACUITY,
    Meaning.SET_PD,
    Meaning.SET_AGE,
    Meaning.SKIP,
    Meaning.CONFIRM,
}


@dataclass(frozen=True)
class EyeProgress:
    """One eye: its state, the step it is at (None: not begun, or finished), and how many questions it was asked."""

    state: EyeState
    step: Step | None = None
    begun: bool = False
    finished: bool = False
    asked: int = 0
    unanswered: int = 0  # steps in a row left without an answer
    add: int | None = None


@dataclass(frozen=True)
class State:
    """All there is to know about an exam at one moment."""

    right: EyeProgress
    left: EyeProgress
    eye: Eye = Eye.RIGHT
    setting_up: tuple[str, ...] = ()
    question: Question | None = None
    tries: int = 0  # unusable utterances since the question was put
    unclear: int = 0  # utterances outside the grammar in a row
    paused: bool = False
    closing: bool = False
    over: bool = False
    confirmed: bool = False
    pd: float | None = None
    age: int | None = None
    dials: Lens | None = None  # what the current eye's dials show, where it differs from the lens before it

    def of(self, eye: Eye) -> EyeProgress:
        return self.right if eye is Eye.RIGHT else self.left

    def put(self, progress: EyeProgress) -> State:
        if progress.state.eye is Eye.RIGHT:
            return replace(self, right=progress)
        return replace(self, left=progress)


@dataclass
class Exam:
    """One exam, from the first question to the draft prescription.

    `begin()` starts it, `hear(heard)` takes one utterance, `close()` ends the input (all that was done is kept).
    Each returns the effects to carry out, in order. After the exam is over, `hear` records and changes nothing.
    """

    start: Start = field(default_factory=Start)
    state: State = field(init=False)
    _before: list[State] = field(init=False, default_factory=list)
    _out: list[Effect] = field(init=False, default_factory=list)

    def __post_init__(self) -> None:
        def eye(which: Eye) -> EyeProgress:
            given = self.start.right if which is Eye.RIGHT else self.start.left
            lens = given.lens or Lens(0)
            state = EyeState(
                which,
                lens,
                age=self.start.age,
                entering=given.acuity,
                line=given.acuity,
                line_lens=lens if given.acuity else None,
                given=given.lens is not None,
                power_from=lens.cylinder,
                focus_from=lens.spherical_equivalent,
            )
            return EyeProgress(state)

        known = {"age": self.start.age, "pd": self.start.pd}
        self.state = State(
            eye(Eye.RIGHT),
            eye(Eye.LEFT),
            setting_up=tuple(id for id in _SETTING_UP if known[id] is None),
            pd=self.start.pd,
            age=self.start.age,
        )

    # ------------------------------------------------------------------------------------------------ outside
    @property
    def question(self) -> Question | None:
        """The question that stands, or None once the exam is over."""
        return self.state.question

    @property
    def over(self) -> bool:
        return self.state.over

    def begin(self) -> tuple[Effect, ...]:
        self._say("welcome", {"patient": self.start.patient})
        self._go_on()
        return self._flush()

    def hear(self, heard: Heard) -> tuple[Effect, ...]:
        """Take one utterance (or silence) and say what follows."""
        if self.state.over:
            self._out.append(Recorded(heard, used=False))
            return self._flush()
        handler = self._handler(heard)
        self._out.append(Recorded(heard, used=handler is not None))
        if handler is not None:
            handler(heard)
        else:
            self._unusable(heard)
        return self._flush()

    def close(self) -> tuple[Effect, ...]:
        """The input has ended: the draft is given out with what there is."""
        if not self.state.over:
            self._finish(confirmed=False)
        return self._flush()

    # ------------------------------------------------------------------------------------------- what may be heard
    def _handler(self, heard: Heard) -> Callable[[Heard], None] | None:
        """What to do with an utterance, or None when it cannot be used now."""
        if not heard.accepted or heard.meaning is None:
            return None
        meaning, question = heard.meaning, self.state.question
        if heard.by is Speaker.PATIENT and meaning not in _PATIENT_MAY:
            return None
        if heard.by is Speaker.EXAMINER and isinstance(question, Choice) and meaning in CHOICE_ANSWERS:
            return None  # the examiner shows the lenses with the same words; only the patient answers
        if meaning is Meaning.NOTE:
            return self._note
        if self.state.paused:
            return {
                Meaning.RESUME: self._resume,
                Meaning.FINISH: self._finish_early,
                Meaning.READ_BACK: self._read_back,
                Meaning.UNDO: self._undo,
            }.get(meaning)
        if meaning in _NUMBER_COMMANDS and not self._answers(question, meaning):
            if heard.by is Speaker.PATIENT:
                return None
            return self._set
        if self._answers(question, meaning):
            return self._answer
        return {
            Meaning.UNDO: self._undo,
            Meaning.REPEAT: self._repeat,
            Meaning.AGAIN: self._again,
            Meaning.READ_BACK: self._read_back,
            Meaning.NEXT: self._next,
            Meaning.SKIP: self._skip,
            Meaning.PAUSE: self._pause,
            Meaning.SWITCH_EYE: self._switch_eye,
            Meaning.FINISH: self._finish_early,
            Meaning.WHY: self._why,
            Meaning.QUESTION: self._examiner_asks,
            Meaning.RESUME: self._repeat,
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
            return meaning in (Meaning(f"set_{question.of}"), Meaning.SKIP, Meaning.UNSURE)
        return isinstance(question, Confirm) and meaning in (Meaning.CONFIRM, Meaning.YES)

    # ------------------------------------------------------------------------------------------------- answers
    def _remember(self) -> None:
        self._before.append(self.state)

    def _answer(self, heard: Heard) -> None:
        self._remember()
        state, question = self.state, self.state.question
        if isinstance(question, Value):
            self._value(question.of, heard)
        elif isinstance(question, Confirm):
            self._finish(confirmed=True)
        else:
            progress = state.of(state.eye)
            assert progress.step is not None
            move = progress.step.answer(progress.state, heard)
            shown = state.dials
            self.state = state.put(replace(progress, step=move.step, state=move.eye, unanswered=0))
            self._out.extend(move.flags)
            if move.eye.lens != progress.state.lens:
                self._show(move.eye.lens)
            self.state = replace(self.state, dials=shown)
            if isinstance(question, AcuityQuestion) and heard.meaning is Meaning.SET_ACUITY:
                self._say("acuity_recorded", {"eye": state.eye, "line": heard.value})
            self._go_on()

    def _value(self, of: str, heard: Heard) -> None:
        value = heard.value if heard.meaning is Meaning(f"set_{of}") else None
        state = replace(self.state, setting_up=self.state.setting_up[1:])
        if value is None:
            self._out.append(StepChange(Eye.BOTH, of, Status.SKIPPED))
        else:
            state = _with_value(state, of, value)
            self._say(f"{of}_recorded", {of: value})
            self._out.append(StepChange(Eye.BOTH, of, Status.DONE))
        self.state = replace(state, question=None)
        self._go_on()

    # ------------------------------------------------------------------------------------------------ commands
    def _set(self, heard: Heard) -> None:
        state, value = self.state, heard.value
        progress = state.of(state.eye)
        eye, lens = progress.state, progress.state.lens
        name = str(heard.meaning).removeprefix("set_")
        self._remember()
        if name in ("pd", "age"):
            assert isinstance(value, (int, float))
            setting_up = tuple(id for id in state.setting_up if id != name)
            self.state = _with_value(replace(state, setting_up=setting_up), name, value)
            self._say(f"{name}_recorded", {name: value})
            if name in state.setting_up:
                self._out.append(StepChange(Eye.BOTH, name, Status.DONE))
        elif name == "acuity":
            self.state = state.put(replace(progress, state=replace(eye, line=str(value), line_lens=lens)))
            self._say("acuity_recorded", {"eye": state.eye, "line": value})
        elif name == "add":
            assert isinstance(value, int)
            self.state = state.put(replace(progress, add=value))
            self._say("add_recorded", {"eye": state.eye, "add": value})
        else:
            assert isinstance(value, int)
            if name == "sphere":
                lens = lens.with_sphere(value)
            elif name == "cylinder":
                lens = lens.with_cylinder(value)
            else:
                lens = lens.with_axis(wrap_axis(value))
            if not sphere_within(lens.sphere) or lens.cylinder < plan.CYLINDER_LOW:
                self._before.pop()
                self._out.append(Flag("dial_end", state.eye, {"dial": name, "at": value}))
                self._put_question(tries=0)
                return
            eye = eye.to(lens)
            step = progress.step.rebased(eye) if progress.step is not None else None
            self.state = state.put(replace(progress, state=eye, step=step))
            self._show(lens)
            self._say("dials_set", {"eye": state.eye, "dial": name, "lens": lens})
        self._go_on()

    def _undo(self, heard: Heard) -> None:
        if not self._before:
            self._say("nothing_to_undo")
        else:
            paused = self.state.paused
            shown = self._lens()
            self.state = replace(self._before.pop(), paused=paused, dials=None)
            self._say("undone")
            if self._lens() != shown:
                self._show(self._lens())
        if not self.state.paused:
            self._put_question(tries=0)

    def _repeat(self, heard: Heard) -> None:
        self._put_question(tries=0)

    def _again(self, heard: Heard) -> None:
        # Asking to see it again is fair; asking for ever is a question that cannot be answered.
        self._tried(heard)

    def _examiner_asks(self, heard: Heard) -> None:
        """The examiner's own question: nothing to do, the answer follows."""

    def _read_back(self, heard: Heard) -> None:
        progress = self.state.of(self.state.eye)
        self._say("read_back_eye", {"eye": self.state.eye, "lens": progress.state.lens, "acuity": progress.state.line_here})

    def _why(self, heard: Heard) -> None:
        if self.state.question is not None:
            self._say("why", {"step": self.state.question.step})

    def _note(self, heard: Heard) -> None:
        self._say("noted")

    def _pause(self, heard: Heard) -> None:
        self.state = replace(self.state, paused=True)
        self._say("paused")

    def _resume(self, heard: Heard) -> None:
        self.state = replace(self.state, paused=False)
        self._say("resumed")
        self._put_question(tries=0)

    def _next(self, heard: Heard) -> None:
        self._leave(Status.DONE)

    def _skip(self, heard: Heard) -> None:
        self._leave(Status.SKIPPED)

    def _leave(self, status: Status) -> None:
        """Leave the step that is on with the lens as it is."""
        state = self.state
        if isinstance(state.question, Confirm):
            self._put_question(tries=0)
            return
        self._remember()
        if isinstance(state.question, Value):
            self._out.append(StepChange(Eye.BOTH, state.question.of, status))
            self.state = replace(state, setting_up=state.setting_up[1:], question=None)
        else:
            self._end_step(status)
        self._go_on()

    def _switch_eye(self, heard: Heard) -> None:
        self._remember()
        state = self.state
        wanted = Eye(heard.value) if heard.value in ("right", "left") else state.eye.other
        progress = state.of(wanted)
        if progress.finished:  # a finished eye is looked at again from its last fine steps
            step = route.following(progress.state, "power")[1]
            state = state.put(replace(progress, finished=False, step=step))
            if step is not None:
                self._out.append(StepChange(wanted, step.id, Status.BEGUN))
        self.state = replace(state, eye=wanted, closing=False, question=None, dials=None)
        self._say("other_eye", {"eye": wanted})
        self._go_on()

    def _finish_early(self, heard: Heard) -> None:
        if self.state.closing:
            self._finish(confirmed=False)
            return
        self._remember()
        self.state = replace(self.state, closing=True, paused=False, question=None)
        self._go_on()

    # ------------------------------------------------------------------------------------- utterances of no use
    def _unusable(self, heard: Heard) -> None:
        if self.state.paused:
            return
        if heard.by is Speaker.EXAMINER and (heard.accepted or heard.outcome is Outcome.NOT_UNDERSTOOD):
            return  # the examiner talking to the patient: nothing was asked of the assistant
        if heard.outcome is Outcome.NOT_UNDERSTOOD and not heard.typed:
            # Talk in the room is no answer gone wrong; but twice in a row may be one.
            unclear = self.state.unclear + 1
            self.state = replace(self.state, unclear=unclear % plan.UNCLEAR_BEFORE_ASKING)
            if unclear < plan.UNCLEAR_BEFORE_ASKING:
                return
        if heard.outcome is Outcome.OUT_OF_RANGE:
            self._say("out_of_range", {"meaning": heard.meaning, "value": heard.value})
        self._tried(heard)

    def _tried(self, heard: Heard) -> None:
        """One more try at the question without an answer: ask again, then ask the examiner, then move on."""
        tries = self.state.tries + 1
        if tries == plan.MISSES_BEFORE_TYPING:
            self._say("type_or_say")
        if tries >= plan.MISSES_BEFORE_MOVING_ON and not isinstance(self.state.question, Confirm):
            self._no_answer()
            return
        self._put_question(tries=tries)

    def _no_answer(self) -> None:
        state = self.state
        question = state.question
        assert question is not None
        self._remember()
        self._out.append(Flag("no_answer", question.eye, {"step": question.step}))
        if isinstance(question, Value):
            self._out.append(StepChange(Eye.BOTH, question.of, Status.SKIPPED))
            self.state = replace(state, setting_up=state.setting_up[1:], question=None)
        else:
            progress = state.of(state.eye)
            self.state = state.put(replace(progress, unanswered=progress.unanswered + 1))
            self._end_step(Status.SKIPPED)
        self._go_on()

    # ------------------------------------------------------------------------------------------ moving on
    def _go_on(self) -> None:
        """Find the next question: set up, this eye, the other eye, read back."""
        state = self.state
        if state.closing:
            self._say("read_back_all", {"prescription": self._prescription()})
            self._put_question(tries=0, question=Confirm(Eye.BOTH, "read_back", "prescription"))
            return
        if state.setting_up:
            of = state.setting_up[0]
            if state.question is None or not isinstance(state.question, Value) or state.question.of != of:
                self._out.append(StepChange(Eye.BOTH, of, Status.BEGUN))
            self._put_question(tries=0, question=Value(Eye.BOTH, of, of))
            return
        progress = state.of(state.eye)
        if not progress.begun:
            progress = self._begin_eye(progress)
        while progress.step is not None:
            question = progress.step.ask(progress.state)
            if question is not None and self._allowed(progress):
                self._put_question(tries=0, question=question)
                return
            self._end_step(Status.DONE if question is None else Status.SKIPPED)
            progress = self.state.of(self.state.eye)
        self._eye_finished(progress)

    def _allowed(self, progress: EyeProgress) -> bool:
        """Whether this eye may be asked more; past the most, its best so far stands, flagged once."""
        if progress.unanswered >= 2:
            return False
        if progress.asked < plan.QUESTIONS_MOST:
            return True
        if progress.asked == plan.QUESTIONS_MOST:
            self._out.append(Flag("too_many_questions", progress.state.eye, {"asked": progress.asked}))
            self.state = self.state.put(replace(progress, asked=progress.asked + 1))
        return False

    def _begin_eye(self, progress: EyeProgress) -> EyeProgress:
        eye = replace(progress.state, age=self.state.age)
        step = route.first_step(eye)
        self._say("eye_begins", {"eye": eye.eye, "lens": eye.lens})
        self.state = self.state.put(replace(progress, state=eye, step=step, begun=True))
        self._show(eye.lens)
        self._out.append(StepChange(eye.eye, step.id, Status.BEGUN))
        return self.state.of(eye.eye)

    def _end_step(self, status: Status) -> None:
        progress = self.state.of(self.state.eye)
        step = progress.step
        assert step is not None
        self._out.append(StepChange(progress.state.eye, step.id, status))
        eye, following, passed = route.following(progress.state, step.id)
        for id in passed:
            self._out.append(StepChange(eye.eye, id, Status.SKIPPED))
        if following is not None:
            if eye.rounds != progress.state.rounds:
                self._out.append(Flag("acuity_poor_try_again", eye.eye, {"acuity": eye.line_here}))
            self._out.append(StepChange(eye.eye, following.id, Status.BEGUN))
        self.state = self.state.put(replace(self.state.of(eye.eye), step=following, state=eye))

    def _eye_finished(self, progress: EyeProgress) -> None:
        if not progress.finished:
            self._endings(progress.state)
            self.state = self.state.put(replace(progress, finished=True))
        other = self.state.of(self.state.eye.other)
        if not other.finished:
            self.state = replace(self.state, eye=other.state.eye, question=None, dials=None)
            if other.begun:
                self._say("other_eye", {"eye": other.state.eye})
        else:
            self.state = replace(self.state, closing=True, question=None)
            self._two_eyes()
        self._go_on()

    def _endings(self, eye: EyeState) -> None:
        """Cautions an eye ends with; the cut-offs are design choices, and none of them is explained away."""
        if eye.line_here is not None and line_feet(eye.line_here) > line_feet(plan.REFER_BELOW):
            self._out.append(Flag("acuity_low", eye.eye, {"acuity": eye.line_here}))

    def _two_eyes(self) -> None:
        right, left = self.state.right.state, self.state.left.state
        if right.line_here and left.line_here:
            better, worse = sorted((line_feet(right.line_here), line_feet(left.line_here)))
            # Two chart lines are 0.2 logMAR: a factor of 10^0.2 = 1.58 in the denominator.
            if worse >= better * 1.58:
                self._out.append(Flag("acuity_differs", Eye.BOTH, {"right": right.line_here, "left": left.line_here}))

    def _put_question(self, tries: int, question: Question | None = None) -> None:
        question = question or self.state.question
        assert question is not None
        state = replace(self.state, question=question, tries=tries, unclear=0)
        number = 1
        if question.eye is not Eye.BOTH:
            progress = state.of(question.eye)
            number = progress.asked + 1
            state = state.put(replace(progress, asked=number))
        self._out.append(Ask(question, number, tries, state.dials))
        if isinstance(question, Choice):
            state = replace(state, dials=question.second)
        elif isinstance(question, (Legible, AcuityQuestion)):
            state = replace(state, dials=question.lens)
        self.state = state

    def _finish(self, confirmed: bool) -> None:
        state = replace(self.state, over=True, confirmed=confirmed, question=None)
        self.state = state
        if not confirmed:
            self._out.append(Flag("not_confirmed", Eye.BOTH))
        self._say("finished" if confirmed else "finished_unconfirmed")
        self._out.append(StepChange(Eye.BOTH, "read_back", Status.DONE if confirmed else Status.SKIPPED))
        self._out.append(self._prescription())

    def _prescription(self) -> Prescribe:
        state = self.state
        return Prescribe(_result(state.right), _result(state.left), state.pd, state.confirmed)

    # -------------------------------------------------------------------------------------------------- small
    def _lens(self) -> Lens:
        return self.state.of(self.state.eye).state.lens

    def _show(self, lens: Lens) -> None:
        self._out.append(ShowLens(self.state.eye, lens))

    def _say(self, key: str, facts: dict[str, object] | None = None) -> None:
        self._out.append(Say(Speaker.EXAMINER, key, facts or {}))

    def _flush(self) -> tuple[Effect, ...]:
        out, self._out = tuple(self._out), []
        return out


def _with_value(state: State, of: str, value: object) -> State:
    if of == "pd":
        assert isinstance(value, (int, float))
        return replace(state, pd=float(value))
    assert isinstance(value, int)
    right, left = (replace(p, state=replace(p.state, age=value)) for p in (state.right, state.left))
    return replace(state, age=value, right=right, left=left)


def _result(progress: EyeProgress) -> EyeResult:
    eye, lens = progress.state, progress.state.lens
    seen = progress.begun or eye.given
    return EyeResult(
        sphere=lens.sphere if seen else None,
        cylinder=lens.cylinder if seen else None,
        axis=lens.axis if seen and lens.cylinder else None,
        add=progress.add,
        acuity=eye.line_here,
        entering_acuity=eye.entering,
        complete=progress.finished,
    )

"""The exam: what was heard goes in, effects come out.

Two rules:

1. The exam is a value that moves from state to state. Every accepted answer or setting keeps the state before it,
   so *undo* goes back any number of times, and replaying the log's utterances gives the live state exactly.
2. An utterance that cannot be used changes nothing but the count of tries: it is recorded, and the question stands.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

from ..optics.lens import Lens
from ..optics.rounding import nearest_lens
from ..optics.transpose import to_plus
from ..optics.vertex import VertexError, at_vertex
from . import closing, consistency, plan, roads, route
from .both import BothState
from .consistency import Answer
from .effects import (
    Ask,
    Effect,
    Flag,
    Prescribe,
    Recorded,
    Say,
    ShowLens,
    Status,
    StepChange,
)
from .eye import EyeState
from .instrument import Instrument, InstrumentError
from .meanings import CHOICE_ANSWERS, LEGIBLE_ANSWERS, Heard, Meaning, Outcome, Speaker
from .progress import EyeProgress, Room, State, Together
from .questions import AcuityQuestion, Choice, Confirm, Eye, Legible, Question, Value
from .start import Road, Start, StartEye
from .steps.base import Step
from .steps.led import Led, led
from .steps.near import Near, NearAcuity, with_add
from .steps.settle import Settle
from .weighing import Said, Weigh, weighed

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
_ROOM = frozenset({"age", "pd", "near_pd", "vertex"})
# What answers a value question, by what is asked; *skip* and "I don't know" always do.
_VALUE_ANSWERS = {
    "pd": (Meaning.SET_PD,),
    "age": (Meaning.SET_AGE,),
    "near_pd": (Meaning.SET_NEAR_PD,),
    "vertex": (Meaning.SET_VERTEX,),
    "reason": (Meaning.REASON,),
    "red_flags": (Meaning.RED_FLAG, Meaning.NO),
    "near_acuity": (Meaning.SET_ACUITY, Meaning.NO),
}
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


@dataclass
class Exam:
    """One exam, from the first question to the draft prescription.

    `begin()` starts it, `hear(heard)` takes one utterance, `close()` ends the input (all that was done is kept).
    Each returns the effects to carry out, in order. After the exam is over, `hear` records and changes nothing.

    `weigh` says what all answers of an eye together point to (see `protocol.weighing`); without it the steps stand
    as they are. A replay needs the same one to come to the same lenses.
    """

    start: Start = field(default_factory=Start)
    weigh: Weigh | None = None
    state: State = field(init=False)
    _before: list[State] = field(init=False, default_factory=list)
    _out: list[Effect] = field(init=False, default_factory=list)

    def __post_init__(self) -> None:
        start, manner = self.start, self.start.manner
        near_only = manner.road is Road.NEAR
        right, left = (
            replace(_eye_before(eye, start.eye(eye), start.age, not near_only and eye in manner.eyes), road=manner.road)
            for eye in (Eye.RIGHT, Eye.LEFT)
        )
        room = Room(start.age, start.pd, start.near_pd, start.vertex, start.reason, start.red_flags)
        self.state = State(
            right,
            left,
            eye=manner.eyes[0],
            setting_up=_to_ask(start),
            room=room,
            together=Together(wanted=frozenset({"near"} if near_only else ())),
            power_by=manner.power_by,
        )

    # ------------------------------------------------------------------------------------------------ outside
    @property
    def question(self) -> Question | None:
        """The question that stands, or None once the exam is over."""
        return self.state.question

    @property
    def over(self) -> bool:
        return self.state.over

    @property
    def instrument(self) -> Instrument:
        """The refractor head the prompts and the dial commands speak of."""
        return self.start.manner.instrument

    def begin(self) -> tuple[Effect, ...]:
        self._say("welcome", {"patient": self.start.patient})
        for code in self.state.room.red_flags:
            self._raise((Flag("red_flag", Eye.BOTH, {"told": code}),))
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

    def again(self) -> tuple[Effect, ...]:
        """The question that stands, for someone who has just come in; nothing about the exam changes."""
        question = self.state.question
        if question is not None:
            if question.eye is not Eye.BOTH:
                self._other_eye(self.state.of(question.eye))
                self.state = replace(self.state, dials=None)
            asked = 1 if question.eye is Eye.BOTH else self.state.of(question.eye).asked
            self._out.append(Ask(question, asked))
        return self._flush()

    def close(self) -> tuple[Effect, ...]:
        """The input has ended: the draft is given out with what there is."""
        if not self.state.over:
            self._raise(closing.cautions(self.state, self.start))
            self._finish(confirmed=False)
        return self._flush()

    # ------------------------------------------------------------------------------------------- what may be heard
    def _handler(self, heard: Heard) -> Callable[[Heard], None] | None:
        """What to do with an utterance, or None when it cannot be used now."""
        if not heard.accepted or heard.meaning is None:
            return None
        meaning, question = heard.meaning, self.state.question
        told = isinstance(question, Value) and meaning is Meaning.SKIP  # of themselves: "I'd rather not say"
        told |= isinstance(question, Confirm) and meaning is Meaning.CONFIRM and heard.typed  # meant, whoever said it
        if heard.by is Speaker.PATIENT and meaning not in _PATIENT_MAY and not told:
            return None
        if heard.by is Speaker.EXAMINER and isinstance(question, Choice) and meaning in CHOICE_ANSWERS:
            return None  # the examiner shows the lenses with the same words; only the patient answers
        if meaning is Meaning.NOTE:
            return self._note
        if self.state.paused:
            if heard.by is Speaker.PATIENT:
                return None
            return {
                Meaning.RESUME: self._resume,
                Meaning.FINISH: self._finish_early,
                Meaning.READ_BACK: self._read_back,
                Meaning.UNDO: self._undo,
                Meaning.SKIP: self._skip,
                Meaning.SWITCH_EYE: self._switch_eye,
            }.get(meaning)
        if isinstance(question, Confirm) and meaning is Meaning.YES:
            # A bare yes may be the patient's, to somebody else: only where it is known not to be, it confirms.
            return self._answer if heard.by is Speaker.EXAMINER or (heard.typed and heard.by is None) else None
        if meaning is Meaning.SET_AGE and self._age_doubtful(heard):
            return self._doubt_age
        if self._answers(question, meaning):
            return self._answer
        if meaning in _NUMBER_COMMANDS:
            return None if heard.by is Speaker.PATIENT else self._set
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
            Meaning.RED_FLAG: self._red_flag,
            Meaning.REASON: self._reason,
            Meaning.POWER_AT: self._power_at,
            Meaning.TRANSPOSE: self._transpose,
            Meaning.REFINE: self._refine,
            Meaning.RECHECK: self._recheck,
            Meaning.NEAR: self._want,
            Meaning.INTERMEDIATE: self._want,
            Meaning.BALANCE: self._want,
            Meaning.DUOCHROME: self._duochrome,
            Meaning.CYLINDER_BY: self._cylinder_by,
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
            return meaning in (*_VALUE_ANSWERS[question.of], Meaning.SKIP, Meaning.UNSURE)
        return isinstance(question, Confirm) and meaning is Meaning.CONFIRM

    # ------------------------------------------------------------------------------------------------- answers
    def _remember(self) -> None:
        self._before.append(self.state)

    def _answer(self, heard: Heard) -> None:
        self._remember()
        question = self.state.question
        if isinstance(question, Confirm):
            self._finish(confirmed=True)
            return
        if isinstance(question, Value) and self.state.setting_up:
            self._value(question.of, heard)
        elif self._at_both:
            self._answer_both(heard)
        else:
            self._answer_eye(heard)
        self._go_on()

    def _answer_eye(self, heard: Heard) -> None:
        state, question = self.state, self.state.question
        assert question is not None
        progress = state.of(state.eye)
        if progress.checking is not None:
            answer = Answer.of(question, heard, progress.checking[0])
            self.state = state.put(replace(progress, answers=(*progress.answers, answer), checking=None, unanswered=0))
            return
        assert progress.step is not None
        move = progress.step.answer(progress.state.counting(question, heard), heard)
        self.state = state.put(
            replace(
                progress,
                step=move.step,
                state=move.eye,
                unanswered=0,
                answers=(*progress.answers, Answer.of(question, heard)),
            )
        )
        self._out.extend(move.flags)
        if move.eye.lens != progress.state.lens:
            self._show(move.eye.lens)
        if isinstance(question, AcuityQuestion) and heard.meaning is Meaning.SET_ACUITY:
            self._say("acuity_recorded", {"eye": state.eye, "line": heard.value})

    def _answer_both(self, heard: Heard) -> None:
        step, both, question = self.state.together.step, self._both(), self.state.question
        assert step is not None
        if heard.meaning is Meaning.SKIP:
            self._leave_both(Status.SKIPPED)
            return
        move = step.answer(both, heard)
        self._out.extend(move.flags)
        self._put_both(move.both)
        self.state = replace(self.state, together=replace(self.state.together, step=move.step))
        if isinstance(question, Value) and heard.meaning is Meaning.SET_ACUITY:
            self._say("near_acuity_recorded", {"line": heard.value})
        elif isinstance(question, AcuityQuestion) and heard.meaning is Meaning.SET_ACUITY:
            self._say("acuity_recorded", {"eye": question.eye, "line": heard.value})

    def _age_doubtful(self, heard: Heard) -> bool:
        """An age at which nobody answers such questions: more likely "one", for a lens. Told twice, it counts."""
        age = heard.value
        return isinstance(age, int) and age < plan.AGE_ANSWERS and self.state.doubted != age

    def _doubt_age(self, heard: Heard) -> None:
        assert isinstance(heard.value, int)
        self.state = replace(self.state, doubted=heard.value)
        self._say("age_doubtful", {"age": heard.value})
        self._put_question(tries=0)

    def _value(self, of: str, heard: Heard) -> None:
        if heard.meaning is Meaning.RED_FLAG:  # there may be more than one; "none" or skip ends it
            self._red_flag(heard, going_on=False)
            return
        given = heard.meaning in _VALUE_ANSWERS[of] and heard.meaning is not Meaning.NO
        if given:
            self._room(of, heard.value)
        done = given or heard.meaning is Meaning.NO
        self._out.append(StepChange(Eye.BOTH, of, Status.DONE if done else Status.SKIPPED))
        self.state = replace(self.state, setting_up=self.state.setting_up[1:], question=None)

    def _room(self, name: str, value: object) -> None:
        """Put down something of the patient or the room, and read it back."""
        room = self.state.room
        if name == "age":
            assert isinstance(value, int)
            right, left = (replace(p, state=replace(p.state, age=value)) for p in (self.state.right, self.state.left))
            self.state = replace(self.state, right=right, left=left, room=replace(room, age=value))
        elif name == "reason":
            self.state = replace(self.state, room=replace(room, reason=str(value)))
        else:
            assert isinstance(value, (int, float))
            numbers = {"pd": room.pd, "near_pd": room.near_pd, "vertex": room.vertex, name: float(value)}
            self.state = replace(
                self.state,
                room=replace(room, pd=numbers["pd"], near_pd=numbers["near_pd"], vertex=numbers["vertex"]),
            )
        self._say(f"{name}_recorded", {name: value})

    # ------------------------------------------------------------------------------------------------ commands
    def _set(self, heard: Heard) -> None:
        state, value = self.state, heard.value
        name = str(heard.meaning).removeprefix("set_")
        self._remember()
        if name in _ROOM:
            self._room(name, value)
            if name in state.setting_up:
                waiting = tuple(id for id in state.setting_up if id != name)
                self.state = replace(self.state, setting_up=waiting)
                self._out.append(StepChange(Eye.BOTH, name, Status.DONE))
        elif name == "acuity":
            progress = state.of(state.eye)
            read = replace(progress.state, line=str(value), line_lens=progress.state.lens)
            self.state = state.put(replace(progress, state=read))
            self._say("acuity_recorded", {"eye": state.eye, "line": value})
        elif name == "add":
            assert isinstance(value, int)
            self._set_add(value)
        else:
            assert isinstance(value, int)
            self._turn(name, value)
            return
        self._go_on()

    def _turn(self, dial: str, value: int) -> None:
        """A dial was set by command: the step that is on begins anew from there."""
        state = self.state
        progress = state.of(state.eye)
        try:
            lens = self.instrument.turned(progress.state.lens, dial, value)
        except InstrumentError:
            self._before.pop()
            self._out.append(Flag("dial_end", state.eye, {"dial": dial, "at": value}))
            self._put_question(tries=0)
            return
        eye = progress.state.to(lens)
        step = progress.step.rebased(eye) if progress.step is not None else None
        last = step is None or step.id in roads.LAST
        progress = replace(progress, state=eye, step=step, checking=None, by_hand=progress.by_hand or last)
        self.state = replace(state.put(progress), dials=None)
        self._show(lens)
        self._say("dials_set", {"eye": state.eye, "dial": dial, "lens": lens})
        self._go_on()

    def _set_add(self, add: int) -> None:
        """The examiner's word on the add: a refinement that is on is over."""
        if isinstance(self.state.together.step, Near) and self.state.together.step.id == "near":
            self._leave_both(Status.DONE, told=False)
        together = self.state.together
        self.state = replace(
            self.state, together=replace(together, add=add, tentative=False, done=(*together.done, "near"))
        )
        self._say("add_recorded", {"add": add})

    def _undo(self, heard: Heard) -> None:
        if not self._before:
            self._say("nothing_to_undo")
        else:
            paused = self.state.paused
            shown = self._dials()
            now, before = self.state, self._before.pop()
            on = (now.dials or self._lens()) if before.eye is now.eye else None
            self.state = replace(before, paused=paused, dials=on, raised=now.raised)
            self._say("undone")
            for eye, lens in self._dials().items():
                if lens != shown[eye]:
                    self._out.append(ShowLens(eye, lens))
        if not self.state.paused:
            self._put_question(tries=0)

    def _repeat(self, heard: Heard) -> None:
        self._put_question(tries=0)

    def _again(self, heard: Heard) -> None:
        # Asking to see it again is fair; asking for ever is a question that cannot be answered.
        self._tried()

    def _examiner_asks(self, heard: Heard) -> None:
        """The examiner's own question: nothing to do, the answer follows."""

    def _read_back(self, heard: Heard) -> None:
        progress = self.state.of(self.state.eye)
        self._say(
            "read_back_eye",
            {"eye": self.state.eye, "lens": progress.state.lens, "acuity": progress.state.line_here},
        )

    def _transpose(self, heard: Heard) -> None:
        """The lens in the other cylinder form, for whoever writes that way; the record stays as it is."""
        state = self.state
        lenses = {str(eye): state.of(eye).state.lens for eye in closing.EYES if state.of(eye).begun}
        lenses = lenses or {str(state.eye): self._lens()}
        plus = self.instrument.plus
        self._say("transposed", {eye: lens if plus else to_plus(lens) for eye, lens in lenses.items()})

    def _power_at(self, heard: Heard) -> None:
        """What the lenses come to at another vertex distance."""
        vertex, goal = self.state.room.vertex, heard.value
        assert isinstance(goal, (int, float))
        if vertex is None:
            self._say("vertex_needed")
            return
        lenses: dict[str, object] = {"from": vertex, "to": goal}
        for eye in closing.EYES:
            progress = self.state.of(eye)
            if not (progress.begun or progress.state.given):
                continue
            try:
                lenses[str(eye)] = nearest_lens(at_vertex(progress.state.lens.vector, vertex, float(goal)))
            except VertexError:
                lenses[str(eye)] = None
        self._say("power_at", lenses)

    def _why(self, heard: Heard) -> None:
        if self.state.question is not None:
            self._say("why", {"step": self.state.question.step})

    def _note(self, heard: Heard) -> None:
        self._say("noted")

    def _reason(self, heard: Heard) -> None:
        self._remember()
        self._room("reason", heard.value or "")
        if not self.state.paused:
            self._put_question(tries=0)

    def _red_flag(self, heard: Heard, going_on: bool = True) -> None:
        """The patient tells of something that needs more than a refraction: said at once, and again at the end."""
        code = str(heard.value)
        room = self.state.room
        if going_on:
            self._remember()
        if code not in room.red_flags:
            self.state = replace(self.state, room=replace(room, red_flags=(*room.red_flags, code)))
            self._raise((Flag("red_flag", Eye.BOTH, {"told": code}),))
        if going_on:
            self._put_question(tries=0)

    def _pause(self, heard: Heard) -> None:
        self.state = replace(self.state, paused=True)
        self._say("paused")

    def _resume(self, heard: Heard) -> None:
        self.state = replace(self.state, paused=False)
        self._say("resumed")
        question = self.state.question
        if question is not None and question.eye is not Eye.BOTH:  # anybody may have turned the dials meanwhile
            self._other_eye(self.state.of(question.eye))
            self.state = replace(self.state, dials=None)
        self._put_question(tries=0)

    def _next(self, heard: Heard) -> None:
        self._leave(Status.DONE)

    def _skip(self, heard: Heard) -> None:
        self._leave(Status.SKIPPED)

    def _leave(self, status: Status) -> None:
        """Leave the step that is on with the lens as it is; a pause is over with it."""
        self.state = replace(self.state, paused=False)
        if isinstance(self.state.question, Confirm):  # there is nothing after it to go on to
            self._tried()
            return
        self._remember()
        self._leave_step(status)
        self._go_on()

    def _leave_step(self, status: Status) -> None:
        state = self.state
        progress = state.of(state.eye)
        if isinstance(state.question, Value) and state.setting_up:
            self._out.append(StepChange(Eye.BOTH, state.question.of, status))
            self.state = replace(state, setting_up=state.setting_up[1:], question=None)
        elif self._at_both:
            self._leave_both(status)
        elif progress.checking is not None:  # left open, and not asked for again at once
            assert state.question is not None
            left = Answer(state.question, Meaning.UNSURE, repeats=progress.checking[0])
            self.state = state.put(replace(progress, answers=(*progress.answers, left), checking=None))
        else:
            self._end_step(status)

    def _switch_eye(self, heard: Heard) -> None:
        self.state = replace(self.state, paused=False)
        self._remember()
        wanted = Eye(heard.value) if heard.value in ("right", "left") else self.state.eye.other
        self._to_eye(wanted, "power")

    def _to_eye(self, wanted: Eye, after: str) -> None:
        """Look at an eye: go on with it, or look at a finished one again from the steps that follow `after`."""
        self._break_off_both()
        progress = replace(self.state.of(wanted), examined=True)
        if progress.finished and progress.begun:
            step = route.following(progress.state, after)[1]
            progress = replace(
                progress, finished=False, given_up=False, unanswered=0, ends=(), doubts=(), by_hand=False, step=step
            )
            if step is not None:
                self._out.append(StepChange(wanted, step.id, Status.BEGUN))
        else:
            progress = replace(progress, finished=False)
        self.state = replace(self.state.put(progress), eye=wanted, closing=False, question=None, dials=None)
        self._other_eye(progress)
        self._go_on()

    def _refine(self, heard: Heard) -> None:
        """To the fine steps at once, from the lens that stands before the eye."""
        self._remember()
        self._short(self.state.eye, Road.REFINE)

    def _recheck(self, heard: Heard) -> None:
        """One eye's sphere, over-minus check and acuity again, its cylinder as it is."""
        self._remember()
        self._short(Eye(heard.value) if heard.value in ("right", "left") else self.state.eye, Road.RECHECK)

    def _short(self, eye: Eye, road: Road) -> None:
        self._break_off_both()
        progress = self.state.of(eye)
        if progress.step is not None:
            self._out.append(StepChange(eye, progress.step.id, Status.SKIPPED))
        state, step = roads.shortened(progress.state, road)
        self._out.append(StepChange(eye, step.id, Status.BEGUN))
        progress = replace(
            progress,
            state=state,
            step=step,
            begun=True,
            examined=True,
            finished=False,
            given_up=False,
            unanswered=0,
            ends=(),
            doubts=(),
            by_hand=False,
            checking=None,
            road=road,
        )
        on = self.state.dials if eye is self.state.eye else None
        self.state = replace(self.state.put(progress), eye=eye, closing=False, question=None, dials=on)
        self._show(state.lens)
        if on is None:
            self._other_eye(progress)
        self._go_on()

    def _want(self, heard: Heard) -> None:
        """A step with both eyes is asked for: at once where the eyes are done, else when they are."""
        id = str(heard.meaning)
        self._remember()
        together = self.state.together
        now = {id, f"{id}_acuity"}
        if id == "intermediate" and together.add is None:
            now |= {"near", "near_acuity"}
        done = tuple(one for one in together.done if one not in now)
        near_acuity = None if "near" in now else together.near_acuity
        self.state = replace(
            self.state,
            together=replace(together, wanted=together.wanted | now, done=done, near_acuity=near_acuity),
        )
        if not all(self.state.of(eye).finished for eye in closing.EYES):
            self._say("wanted_later", {"what": id})
            self._put_question(tries=0)
            return
        self.state = replace(self.state, closing=False, question=None)
        self._go_on()

    def _duochrome(self, heard: Heard) -> None:
        """Red against green for the eye that is on, at its end; at once where it is done."""
        self._remember()
        progress = self.state.of(self.state.eye)
        ends = tuple(id for id in progress.ends if id != "duochrome")
        if progress.finished and progress.begun:
            progress = replace(progress, finished=False)
            self.state = replace(self.state, closing=False, question=None)
        self.state = self.state.put(replace(progress, ends=ends))
        self.state = replace(
            self.state, together=replace(self.state.together, wanted=self.state.together.wanted | {"duochrome"})
        )
        self._go_on()

    def _cylinder_by(self, heard: Heard) -> None:
        """The cylinder's power by dial steps or by cross cylinder, from here on."""
        self._remember()
        by = str(heard.value)
        self.state = replace(self.state, power_by=by)
        progress = self.state.of(self.state.eye)
        if progress.step is not None and progress.step.id == "power":
            step = roads.power_step(progress.state, by)
            self.state = self.state.put(replace(progress, step=step, checking=None))
        self._say("cylinder_by", {"by": by})
        self._go_on()

    def _finish_early(self, heard: Heard) -> None:
        if self.state.closing:
            self._finish(confirmed=False)
            return
        self._remember()
        self._break_off_both()
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
        self._tried()

    def _tried(self) -> None:
        """One more try at the question without an answer: ask again, then ask the examiner, then move on."""
        tries = self.state.tries + 1
        if tries == plan.MISSES_BEFORE_TYPING:
            self._say("type_or_say")
        if isinstance(self.state.question, Confirm):
            if tries >= plan.MISSES_BEFORE_ENDING:
                self._finish(confirmed=False)
                return
        elif tries >= plan.MISSES_BEFORE_MOVING_ON or self._asked() >= plan.ASKED_MOST:
            self._no_answer()
            return
        self._put_question(tries=tries)

    def _asked(self) -> int:
        """Questions put to the eye that is asked; 0 for both."""
        question = self.state.question
        return self.state.of(question.eye).asked if question is not None and question.eye is not Eye.BOTH else 0

    def _no_answer(self) -> None:
        state, question = self.state, self.state.question
        assert question is not None
        self._remember()
        self._out.append(Flag("no_answer", question.eye, {"step": question.step}))
        if not (self._at_both or state.setting_up):
            progress = state.of(state.eye)
            self.state = state.put(replace(progress, unanswered=progress.unanswered + 1))
        self._leave_step(Status.SKIPPED)
        self._go_on()

    # ------------------------------------------------------------------------------------------ moving on
    def _go_on(self) -> None:
        """Find the next question: setting up, this eye, the other eye, both eyes, the read-back."""
        while True:
            state = self.state
            if state.closing:
                self._raise(closing.cautions(state, self.start))
                self._say("read_back_all", {"prescription": self._prescription()})
                self._put_question(tries=0, question=Confirm(Eye.BOTH, "read_back", "prescription"))
                return
            if state.setting_up:
                of = state.setting_up[0]
                if state.question is None or not isinstance(state.question, Value) or state.question.of != of:
                    self._out.append(StepChange(Eye.BOTH, of, Status.BEGUN))
                self._put_question(tries=0, question=Value(Eye.BOTH, of, of))
                return
            if not state.of(state.eye).finished:
                if self._eye_on():
                    return
            elif not state.of(state.eye.other).finished:
                other = state.of(state.eye.other)
                self.state = replace(state, eye=other.state.eye, question=None, dials=None)
                if other.begun:
                    self._other_eye(other)
            elif self._both_on():
                return
            else:
                self._compare()
                self.state = replace(self.state, closing=True, question=None)

    # --------------------------------------------------------------------------------------------- one eye
    def _eye_on(self) -> bool:
        """Put this eye's next question; False: the eye is finished."""
        progress = self.state.of(self.state.eye)
        if not progress.begun:
            progress = self._begin_eye(progress)
        while progress.step is not None:
            if not self._allowed(progress):
                self._give_up(progress)
                return False
            if self.start.manner.pace == "evidence" and self.weigh is not None:
                progress = replace(progress, step=led(progress.step, lambda: self._said(self.state.eye)))
            if isinstance(progress.step, (Settle, Led)):
                progress = self._settling(progress, progress.step)
            assert progress.step is not None
            question = progress.step.ask(progress.state)
            if question is None:
                self._end_step(Status.DONE)
            elif not self._on_dials(question):
                self._beyond(progress, question)
            else:
                self._put_question(tries=0, question=self._reversed_first(progress, question))
                return True
            progress = self.state.of(self.state.eye)
        said = self._said(progress.state.eye)
        progress = self.state.of(self.state.eye)
        checked = consistency.to_ask_at_end(progress.state, progress.answers, said)
        if checked is not None and self._allowed(progress) and self._on_dials(checked[1]):
            self.state = self.state.put(replace(progress, checking=checked))
            self._put_question(tries=0, question=checked[1])
            return True
        self._eye_finished(progress)
        return False

    def _on_dials(self, question: Question) -> bool:
        """Whether this head's dials can show what is asked about."""
        return all(self.instrument.reaches(lens) for lens in _lenses(question))

    def _reversed_first(self, progress: EyeProgress, question: Question) -> Question:
        """The question, or first a pair shown before, in reverse order, where the answers so far call for it."""
        checked = consistency.to_repeat(progress.answers) if isinstance(question, Choice) else None
        if checked is None or not self._on_dials(checked[1]):
            return question
        self.state = self.state.put(replace(progress, checking=checked))
        return checked[1]

    def _beyond(self, progress: EyeProgress, question: Question) -> None:
        """A lens the dials cannot show is not offered: the lens before the eye stands, and the flag says why."""
        facts = {"dial": "sphere", "at": self.instrument.shown(progress.state.lens).sphere}
        self._raise((Flag("dial_end", progress.state.eye, facts),))
        progress = self.state.of(progress.state.eye)
        if isinstance(question, Choice):
            assert progress.step is not None
            move = progress.step.answer(progress.state, Heard("", Outcome.HEARD, Meaning.FIRST))
            if move.eye.lens == progress.state.lens and move.step != progress.step:
                self.state = self.state.put(replace(progress, step=move.step, state=move.eye))
                return
        self._end_step(Status.SKIPPED)

    def _allowed(self, progress: EyeProgress) -> bool:
        """Whether this eye may be asked more."""
        if progress.unanswered >= 2 or progress.asked >= plan.QUESTIONS_MOST:
            return False
        return not consistency.hopeless(progress.answers)

    def _give_up(self, progress: EyeProgress) -> None:
        """Too many questions, or no usable answers: the eye's lens stands as it is, and is said to be incomplete."""
        assert progress.step is not None
        eye = progress.state.eye
        if progress.asked >= plan.QUESTIONS_MOST:
            self._out.append(Flag("too_many_questions", eye, {"asked": progress.asked}))
        self._out.append(StepChange(eye, progress.step.id, Status.SKIPPED))
        self.state = self.state.put(replace(progress, step=None, checking=None, given_up=True))
        self._eye_finished(self.state.of(eye))

    def _begin_eye(self, progress: EyeProgress) -> EyeProgress:
        eye = replace(progress.state, age=self.state.age)
        step = roads.first_step(eye, progress.road, self.start.manner.intake)
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
        if step.id == "acuity" and progress.state.line_here is None:  # left open: not asked for again at once
            progress = replace(progress, state=replace(progress.state, line_refused=True))
            self.state = self.state.put(progress)
        if step.id in roads.ENDS:
            # A look at the end that moved the lens takes the line again; else the next such look follows.
            self.state = self.state.put(replace(progress, step=None, ends=(*progress.ends, step.id)))
            self._next_end(self.state.of(progress.state.eye))
            return
        eye, following, passed = roads.following(
            progress.state, step.id, progress.road, self.state.power_by, once=self.weigh is not None
        )
        if step.id == "sphere_again" and following is not None and self._cylinder_known(eye):
            for id in dict.fromkeys((*passed, following.id, "power_again")):
                self._out.append(StepChange(eye.eye, id, Status.SKIPPED))
            eye, following, passed = roads.following(eye, "power_again", progress.road, self.state.power_by, once=True)
        for id in passed:
            self._out.append(StepChange(eye.eye, id, Status.SKIPPED))
        if following is not None:
            if eye.rounds != progress.state.rounds:
                self._out.append(Flag("acuity_poor_try_again", eye.eye, {"acuity": eye.line_here}))
            if following.id == "acuity" and not progress.by_hand:
                eye = self._weighed(self._said(eye.eye), eye, progress.road)
            self._out.append(StepChange(eye.eye, following.id, Status.BEGUN))
        self.state = self.state.put(replace(self.state.of(eye.eye), step=following, state=eye, checking=None))
        if following is None:
            self._next_end(self.state.of(eye.eye))

    def _cylinder_known(self, eye: EyeState) -> bool:
        """Whether all answers leave so little of the astigmatism open that it need not be looked at again."""
        progress = self.state.of(eye.eye)
        if self.weigh is None or progress.road is Road.RECHECK or self.start.manner.pace != "book":
            return False
        said = self._said(eye.eye)
        return said is not None and max(said.spread.j0, said.spread.j45) <= plan.CYLINDER_KNOWN

    def _said(self, eye: Eye) -> Said | None:
        """What all answers of the eye together say of it."""
        progress = self.state.of(eye)
        if self.weigh is None or progress.weighed == len(progress.answers):
            return progress.said
        answers = (one.pair for one in progress.answers)
        given = self.start.eye(eye).lens
        said = self.weigh(answers, progress.state.lens, progress.state.age, given, progress.said)
        self.state = self.state.put(replace(progress, said=said, weighed=len(progress.answers)))
        return said

    def _weighed(self, said: Said | None, eye: EyeState, road: Road) -> EyeState:
        """The eye with the lens that all its answers together point to."""
        lens = weighed(said, eye, cylinder=road is not Road.RECHECK)
        if lens == eye.lens or not self.instrument.reaches(lens):
            return eye
        self.state = replace(self.state, dials=None)
        self._show(lens)
        self._say("weighed", {"eye": eye.eye, "lens": lens})
        return eye.to(lens)

    def _settling(self, progress: EyeProgress, step: Settle | Led) -> EyeProgress:
        """The lens all answers point to by now, and the next question of those that tell most."""
        said, eye = self._said(progress.state.eye), progress.state
        if isinstance(step, Led):
            lens = step.toward(eye, said)
            if lens != eye.lens and self.instrument.reaches(lens):
                eye = eye.to(lens)
                self._show(lens)
        else:
            eye = self._weighed(said, eye, progress.road)
        progress = replace(self.state.of(eye.eye), state=eye, step=step.following(eye, said))
        self.state = self.state.put(progress)
        return progress

    def _next_end(self, progress: EyeProgress) -> None:
        """The next of the looks at the end of an eye that has something to do."""
        if not self._allowed(progress):
            return
        step: Step | None = None
        if self.weigh is not None and not progress.by_hand and Settle.id not in progress.ends:
            step = Settle(cylinder=progress.road is not Road.RECHECK)
            said = self._said(progress.state.eye)
            progress = self.state.of(progress.state.eye)
            eye = progress.state
            if step.settled(eye, said) and weighed(said, eye, step.cylinder) == eye.lens:  # nothing to look at
                progress, step = replace(progress, ends=(*progress.ends, Settle.id)), None
                self.state = self.state.put(progress)
        duochrome = self.start.manner.duochrome or "duochrome" in self.state.together.wanted
        step = step or roads.next_end(progress, duochrome, self._worse_eye() is progress.state.eye)
        if step is not None:
            self._out.append(StepChange(progress.state.eye, step.id, Status.BEGUN))
            self.state = self.state.put(replace(progress, step=step))

    def _eye_finished(self, progress: EyeProgress) -> None:
        said = self._said(progress.state.eye)
        progress = self.state.of(progress.state.eye)
        doubts = consistency.judge(progress.state, progress.answers, said)
        self._raise(doubts)
        codes = tuple(flag.code for flag in doubts if flag.code in consistency.UNRELIABLE)
        self.state = self.state.put(replace(progress, finished=True, doubts=codes))
        if progress.told is not None:
            self._show(progress.state.lens)
        self._say("eye_done", {"eye": progress.state.eye, "lens": progress.state.lens})
        self._pinhole_for_worse()

    def _worse_eye(self) -> Eye | None:
        right, left = self.state.right, self.state.left
        return closing.lines_differ(right.state.line_here, left.state.line_here)

    def _pinhole_for_worse(self) -> None:
        """Both eyes done and two lines apart: the worse one is looked at through a pinhole."""
        worse = self._worse_eye()
        if worse is None or not (self.state.right.finished and self.state.left.finished):
            return
        progress = self.state.of(worse)
        if not progress.begun or "pinhole" in progress.ends or not self._allowed(progress):
            return
        step = roads.next_end(progress, False, True)
        if step is not None:
            self._out.append(StepChange(worse, step.id, Status.BEGUN))
            self.state = replace(
                self.state.put(replace(progress, step=step, finished=False)), eye=worse, question=None, dials=None
            )

    # --------------------------------------------------------------------------------------------- both eyes
    @property
    def _at_both(self) -> bool:
        return self.state.together.step is not None and not self.state.closing

    def _both(self) -> BothState:
        state, together = self.state, self.state.together
        return BothState(
            state.right.state,
            state.left.state,
            state.age,
            self.start.amplitude,
            self.start.manner.working_distance,
            self.start.dominant,
            together.add,
            together.intermediate,
            together.acuity,
            together.near_acuity,
        )

    def _put_both(self, both: BothState) -> None:
        """Take over what a step with both eyes left; a lens that it moved is shown."""
        for eye in closing.EYES:
            progress = self.state.of(eye)
            if both.of(eye) != progress.state:
                self.state = self.state.put(replace(progress, state=both.of(eye)))
            if both.of(eye).lens != progress.state.lens:
                self._out.append(ShowLens(eye, both.of(eye).lens))
        self.state = replace(
            self.state,
            together=replace(
                self.state.together,
                add=both.add,
                intermediate=both.intermediate,
                acuity=both.acuity,
                near_acuity=both.near_acuity,
            ),
        )

    def _both_on(self) -> bool:
        """Put the next question to both eyes; False: there is none."""
        while True:
            step = self.state.together.step
            if step is None:
                if not self._begin_both():
                    self._add_on_dials()
                    return False
                continue
            self._add_on_dials()
            question = step.ask(self._both())
            if question is not None:
                if question.eye is not Eye.BOTH and question.eye is not self.state.eye:
                    self.state = replace(self.state, eye=question.eye, dials=None)
                self._put_question(tries=0, question=question)
                return True
            self._leave_both(Status.DONE)

    def _begin_both(self) -> bool:
        """Begin the next step with both eyes; False when all are done."""
        for id in roads.BOTH:
            together = self.state.together
            if id in together.done:
                continue
            step, reason = roads.begin_both(id, self.state, self._both(), self.start.manner)
            if step is not None:
                self._out.append(StepChange(Eye.BOTH, id, Status.BEGUN))
                balanced = together.balanced or id == "balance"
                self.state = replace(self.state, together=replace(together, step=step, balanced=balanced), dials=None)
                if isinstance(step, Near):
                    self._say("near_begins", {"step": step.id, "add": step.at, "distance": step.centimetres})
                return True
            self.state = replace(self.state, together=replace(together, done=(*together.done, id)))
            if reason is not None:
                self._out.append(StepChange(Eye.BOTH, id, Status.SKIPPED))
            if reason not in (None, "young"):
                self._say("both_skipped", {"step": id, "why": reason})
        return False

    def _leave_both(self, status: Status, told: bool = True) -> None:
        step = self.state.together.step
        assert step is not None
        self._out.append(StepChange(Eye.BOTH, step.id, status))
        if isinstance(step, Near):
            self._put_both(step.left(self._both()))
            age = self.state.age
            facts: dict[str, object] = {"step": step.id, "add": step.found, "limit": step.at_limit}
            if age is not None:
                facts["clear"] = closing.clear_range(step.found, age, step.centimetres)
            if told:
                self._say("add_found", facts)
        together = replace(self.state.together, step=None, done=(*self.state.together.done, step.id))
        if isinstance(step, Near) and step.id == "near":
            together = replace(together, tentative=status is not Status.DONE)
        self.state = replace(self.state, question=None, together=together)

    def _break_off_both(self) -> None:
        """Leave what is done with both eyes for something else; the dials go back to distance."""
        if self._at_both:
            self._leave_both(Status.SKIPPED)
        self._add_on_dials()

    def _add_on_dials(self) -> None:
        """The add goes on both sphere dials while near is looked at, and comes off after."""
        together = self.state.together
        add = 0
        if isinstance(together.step, Near):
            add = together.step.at
        elif isinstance(together.step, NearAcuity):
            add = together.add or 0
        if add == together.on_dials:
            return
        self.state = replace(self.state, together=replace(together, on_dials=add))
        if not add:
            self._say("back_to_distance")
        for eye, lens in self._dials().items():
            self._out.append(ShowLens(eye, lens))

    # --------------------------------------------------------------------------------------------- the end
    def _compare(self) -> None:
        """How the lenses differ from the start, in words."""
        for eye, change in closing.changes(self.state, self.start).items():
            self._say(
                "compared",
                {
                    "eye": eye,
                    "sphere": change.after.sphere - change.before.sphere,
                    "cylinder": change.after.cylinder - change.before.cylinder,
                    "swing": change.swing,
                    "equivalent": change.after.spherical_equivalent - change.before.spherical_equivalent,
                    "vector": change.vector._asdict(),
                    "before": change.before,
                    "source": "glasses" if self.start.eye(eye).glasses is not None else self.start.source,
                },
            )

    def _raise(self, flags: Iterable[Flag]) -> None:
        """Give out the cautions that are new."""
        for flag in flags:
            if flag not in self.state.raised:
                self.state = replace(self.state, raised=(*self.state.raised, flag))
                self._out.append(flag)

    def _put_question(self, tries: int, question: Question | None = None) -> None:
        question = question or self.state.question
        assert question is not None
        if isinstance(question, Choice) and question.eye is not Eye.BOTH and question.step != "duochrome":
            self._first_shown(question)
        state = replace(self.state, question=question, tries=tries, unclear=0)
        number = 1
        if question.eye is not Eye.BOTH:
            progress = state.of(question.eye)
            number = progress.asked + 1
            state = state.put(replace(progress, asked=number))
        on = state.dials
        lenses = _lenses(question)
        if on is None and question.eye is not Eye.BOTH and lenses:  # they show the lens last told
            before = state.of(question.eye).state.lens
            on = before if lenses[0].with_cross(None) != before else None
        self._out.append(Ask(question, number, tries, on, self._back_to_one(question)))
        if isinstance(question, Choice) and question.step in ("near", "intermediate"):
            state = replace(state, dials=question.second)
        elif question.eye is not Eye.BOTH:
            if question.step == "duochrome":  # the colours stand for the two lenses; the dials stay between them
                state = replace(state, dials=state.of(question.eye).state.lens)
            elif isinstance(question, Choice):
                state = replace(state, dials=question.second)
            elif isinstance(question, (Legible, AcuityQuestion)):
                state = replace(state, dials=question.lens)
        self.state = state

    def _back_to_one(self, question: Question) -> bool:
        """Whether the first lens of a pair is the one that was "one" in the pair just shown."""
        before, on = self.state.question, self.state.dials
        if not (isinstance(question, Choice) and isinstance(before, Choice)) or before.eye is not question.eye:
            return False
        return before.first == question.first and before.second == on

    def _finish(self, confirmed: bool) -> None:
        self._break_off_both()
        self.state = replace(self.state, over=True, confirmed=confirmed, question=None)
        if not confirmed:
            self._out.append(Flag("not_confirmed", Eye.BOTH))
        self._say("finished" if confirmed else "finished_unconfirmed")
        self._out.append(StepChange(Eye.BOTH, "read_back", Status.DONE if confirmed else Status.SKIPPED))
        self._out.append(self._prescription())

    def _prescription(self) -> Prescribe:
        return closing.prescription(self.state, self.start)

    # -------------------------------------------------------------------------------------------------- small
    def _dials(self) -> dict[Eye, Lens]:
        """What the dials of each eye should show, the add on them while near is looked at."""
        add = self.state.together.on_dials
        return {eye: with_add(self.state.of(eye).state.lens, add) for eye in closing.EYES}

    def _lens(self) -> Lens:
        return self.state.of(self.state.eye).state.lens

    def _show(self, lens: Lens) -> None:
        self._out.append(ShowLens(self.state.eye, lens))
        progress = self.state.of(self.state.eye)
        if progress.told is not None:
            self.state = self.state.put(replace(progress, told=None))

    def _first_shown(self, pair: Choice) -> None:
        """The first lens of a pair is what the dials should show as it is asked: told where that is another lens."""
        progress, first = self.state.of(pair.eye), pair.first.with_cross(None)
        if first != (progress.told or progress.state.lens):
            self._out.append(ShowLens(pair.eye, first))
            told = first if first != progress.state.lens else None
            self.state = self.state.put(replace(progress, told=told))

    def _other_eye(self, progress: EyeProgress) -> None:
        """An eye is gone back to: what its dials should show is said in full."""
        self._say("other_eye", {"eye": progress.state.eye, "lens": progress.state.lens})

    def _say(self, key: str, facts: dict[str, object] | None = None) -> None:
        self._out.append(Say(Speaker.EXAMINER, key, facts or {}))

    def _flush(self) -> tuple[Effect, ...]:
        out, self._out = tuple(self._out), []
        return out


def _eye_before(eye: Eye, given: StartEye, age: int | None, examined: bool) -> EyeProgress:
    """An eye before the exam begins."""
    lens = given.lens or Lens(0)
    state = EyeState(
        eye,
        lens,
        age=age,
        entering=given.acuity,
        line=given.acuity,
        line_lens=lens if given.acuity else None,
        given=given.lens is not None,
        began=lens.spherical_equivalent,
        power_from=lens.cylinder,
        focus_from=lens.spherical_equivalent,
        unaided=given.unaided,
    )
    return EyeProgress(state, examined=examined, finished=not examined)


def _to_ask(start: Start) -> tuple[str, ...]:
    """What is asked before the first eye: what is not known, and only age and PD unless more is wanted."""
    known = {
        "age": start.age,
        "pd": start.pd,
        "near_pd": start.near_pd,
        "vertex": start.vertex,
        "reason": start.reason,
        "red_flags": start.red_flags or None,
    }
    rules = (*plan.INTAKE, *plan.SETTING_UP) if start.manner.intake else plan.SETTING_UP
    return tuple(rule.id for rule in rules if known[rule.id] is None)


def _lenses(question: Question) -> tuple[Lens, ...]:
    if isinstance(question, Choice):
        return question.first, question.second
    return (question.lens,) if isinstance(question, (Legible, AcuityQuestion)) else ()

"""The way through an exam: setting up, each eye, both eyes, the read-back; and on, where no answer comes."""

from __future__ import annotations

from dataclasses import replace

from . import closing, plan
from .both_eyes import BothEyes
from .consistency import Answer
from .course import Course
from .effects import Flag, Prescribe, Status, StepChange
from .meanings import Heard, Meaning
from .one_eye import OneEye
from .questions import Confirm, Eye, Value

# What answers a value question, by what is asked; *skip* and "I don't know" always do.
VALUE_ANSWERS = {
    "pd": (Meaning.SET_PD,),
    "age": (Meaning.SET_AGE,),
    "near_pd": (Meaning.SET_NEAR_PD,),
    "vertex": (Meaning.SET_VERTEX,),
    "reason": (Meaning.REASON,),
    "red_flags": (Meaning.RED_FLAG, Meaning.NO),
    "near_acuity": (Meaning.SET_ACUITY, Meaning.NO),
}


class Way:
    """Where the course goes next."""

    def __init__(self, course: Course) -> None:
        self.course, self.eye, self.both = course, OneEye(course), BothEyes(course)

    def value(self, of: str, heard: Heard) -> None:
        """The answer to what is asked once, before any lens."""
        if heard.meaning is Meaning.RED_FLAG:  # there may be more than one; "none" or skip ends it
            self.red_flag(heard, going_on=False)
            return
        given = heard.meaning in VALUE_ANSWERS[of] and heard.meaning is not Meaning.NO
        if given:
            self.room(of, heard.value)
        done = given or heard.meaning is Meaning.NO
        self.course.give(StepChange(Eye.BOTH, of, Status.DONE if done else Status.SKIPPED))
        self.course.state = replace(self.course.state, setting_up=self.course.state.setting_up[1:], question=None)

    def room(self, name: str, value: object) -> None:
        """Put down something of the patient or the room, and read it back."""
        room = self.course.state.room
        if name == "age":
            assert isinstance(value, int)
            right, left = (
                replace(p, state=replace(p.state, age=value)) for p in (self.course.state.right, self.course.state.left)
            )
            self.course.state = replace(self.course.state, right=right, left=left, room=replace(room, age=value))
        elif name == "reason":
            self.course.state = replace(self.course.state, room=replace(room, reason=str(value)))
        else:
            assert isinstance(value, (int, float))
            numbers = {"pd": room.pd, "near_pd": room.near_pd, "vertex": room.vertex, name: float(value)}
            self.course.state = replace(
                self.course.state,
                room=replace(room, pd=numbers["pd"], near_pd=numbers["near_pd"], vertex=numbers["vertex"]),
            )
        self.course.say(f"{name}_recorded", {name: value})

    def red_flag(self, heard: Heard, going_on: bool = True) -> None:
        """The patient tells of something that needs more than a refraction: a caution at once, and the
        examiner hears that it was noted."""
        code = str(heard.value)
        room = self.course.state.room
        if going_on:
            self.course.remember()
        if code not in room.red_flags:
            self.course.state = replace(self.course.state, room=replace(room, red_flags=(*room.red_flags, code)))
            self.course.caution((Flag("red_flag", Eye.BOTH, {"told": code}),))
        self.course.say("noted")
        if going_on:
            self.course.ask(tries=0)

    def leave_step(self, status: Status) -> None:
        """End what is on: a question of setting up, a step with both eyes, a check, a step of the eye."""
        state = self.course.state
        progress = state.of(state.eye)
        if isinstance(state.question, Value) and state.setting_up:
            self.course.give(StepChange(Eye.BOTH, state.question.of, status))
            self.course.state = replace(state, setting_up=state.setting_up[1:], question=None)
        elif self.both.going:
            self.both.leave(status)
        elif progress.checking is not None:  # left open, and not asked for again at once
            assert state.question is not None
            left = Answer(state.question, Meaning.UNSURE, repeats=progress.checking[0])
            self.course.state = state.put(replace(progress, answers=(*progress.answers, left), checking=None))
        else:
            self.eye.end_step(status)

    def tried(self) -> None:
        """One more try at the question without an answer: ask again, then ask the examiner, then move on."""
        tries = self.course.state.tries + 1
        if tries == plan.MISSES_BEFORE_TYPING:
            self.course.say("type_or_say")
        if isinstance(self.course.state.question, Confirm):
            if tries >= plan.MISSES_BEFORE_ENDING:
                self.finish(confirmed=False)
                return
        elif tries >= plan.MISSES_BEFORE_MOVING_ON or self._asked() >= plan.ASKED_MOST:
            self._no_answer()
            return
        self.course.ask(tries=tries)

    def _asked(self) -> int:
        """Questions put to the eye that is asked; 0 for both."""
        question = self.course.state.question
        return self.course.state.of(question.eye).asked if question is not None and question.eye is not Eye.BOTH else 0

    def _no_answer(self) -> None:
        """The step is left, flagged."""
        state, question = self.course.state, self.course.state.question
        assert question is not None
        self.course.remember()
        self.course.give(Flag("no_answer", question.eye, {"step": question.step}))
        if not (self.both.going or state.setting_up):
            progress = state.of(state.eye)
            self.course.state = state.put(replace(progress, unanswered=progress.unanswered + 1))
        self.leave_step(Status.SKIPPED)
        self.go_on()

    def go_on(self) -> None:
        """Find the next question: setting up, this eye, the other eye, both eyes, the read-back."""
        while True:
            state = self.course.state
            if state.closing:
                self.course.cross_away()
                self.course.show_own()
                self.course.caution(closing.cautions(self.course.state, self.course.start))
                self.course.say("read_back_all", {"prescription": self._prescription()})
                if self.course.state.raised:
                    self.course.say("cautions")
                self.course.ask(tries=0, question=Confirm(Eye.BOTH, "read_back", "prescription"))
                return
            if state.setting_up:
                of = state.setting_up[0]
                if state.question is None or not isinstance(state.question, Value) or state.question.of != of:
                    self.course.give(StepChange(Eye.BOTH, of, Status.BEGUN))
                self.course.ask(tries=0, question=Value(Eye.BOTH, of, of))
                return
            if not state.of(state.eye).finished:
                if self.eye.go_on():
                    return
            elif not state.of(state.eye.other).finished:
                other = state.of(state.eye.other)
                self.course.state = replace(state, eye=other.state.eye, question=None, dials=None)
                if other.begun:
                    self.course.other_eye(other)
            elif self.both.go_on():
                return
            else:
                self._compare()
                self.course.state = replace(self.course.state, closing=True, question=None)

    def _compare(self) -> None:
        """How the lenses differ from the start, in words."""
        for eye, change in closing.changes(self.course.state, self.course.start).items():
            self.course.say(
                "compared",
                {
                    "eye": eye,
                    "sphere": change.after.sphere - change.before.sphere,
                    "cylinder": change.after.cylinder - change.before.cylinder,
                    "swing": change.swing,
                    "equivalent": change.after.spherical_equivalent - change.before.spherical_equivalent,
                    "vector": change.vector._asdict(),
                    "before": change.before,
                    "after": change.after,
                    "source": "glasses" if self.course.start.eye(eye).glasses is not None else self.course.start.source,
                },
            )

    def finish(self, confirmed: bool) -> None:
        """The exam is over: the draft is given out."""
        self.both.break_off()
        self.course.state = replace(self.course.state, over=True, confirmed=confirmed, question=None)
        if not confirmed:
            self.course.give(Flag("not_confirmed", Eye.BOTH))
        self.course.say("finished" if confirmed else "finished_unconfirmed")
        self.course.give(StepChange(Eye.BOTH, "read_back", Status.DONE if confirmed else Status.SKIPPED))
        self.course.give(self._prescription())

    def _prescription(self) -> Prescribe:
        return closing.prescription(self.course.state, self.course.start)

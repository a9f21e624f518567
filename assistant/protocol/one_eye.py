"""One eye's way: its steps one after the other, what all its answers say, the looks at its end."""

from __future__ import annotations

from dataclasses import replace

from . import closing, consistency, plan, roads
from .consistency import Answer
from .course import Course, lenses_of
from .effects import Flag, Status, StepChange
from .eye import EyeState
from .meanings import Heard, Meaning, Outcome
from .progress import EyeProgress
from .questions import AcuityQuestion, Choice, Eye, Question
from .start import Road
from .steps.base import Step
from .steps.led import Led, led
from .steps.seeing import Pinhole, PlusCheck
from .steps.settle import Settle
from .weighing import Said, weighed


class OneEye:
    """The eye that is on, whichever it is."""

    def __init__(self, course: Course) -> None:
        self.course = course

    def go_on(self) -> bool:
        """Put this eye's next question; False: the eye is finished."""
        progress = self.course.progress
        if not progress.begun:
            progress = self._begin(progress)
        while progress.step is not None:
            if not self._allowed(progress):
                self._give_up(progress)
                return False
            if self.course.start.manner.pace == "evidence" and self.course.weigh is not None:
                progress = replace(progress, step=led(progress.step, lambda: self._said(self.course.state.eye)))
            if isinstance(progress.step, (Settle, Led)):
                progress = self._settling(progress, progress.step)
            assert progress.step is not None
            question = progress.step.ask(progress.state)
            if question is None:
                self.end_step(Status.DONE)
            elif not self._on_dials(question):
                self._beyond(progress, question)
            else:
                self.course.ask(tries=0, question=self._reversed_first(progress, question))
                return True
            progress = self.course.progress
        said = self._said(progress.state.eye)
        progress = self.course.progress
        checked = consistency.to_ask_at_end(progress.state, progress.answers, said)
        if checked is not None and self._allowed(progress) and self._on_dials(checked[1]):
            self.course.keep(replace(progress, checking=checked))
            self.course.ask(tries=0, question=checked[1])
            return True
        self._finished(progress)
        return False

    def answer(self, heard: Heard) -> None:
        """Take the answer to the question that stands, into its step or the check it belongs to."""
        state, question = self.course.state, self.course.state.question
        assert question is not None
        progress = state.of(state.eye)
        if progress.checking is not None:
            answer = Answer.of(question, heard, progress.checking[0])
            self.course.state = state.put(
                replace(progress, answers=(*progress.answers, answer), checking=None, unanswered=0)
            )
            return
        assert progress.step is not None
        move = progress.step.answer(progress.state.counting(question, heard), heard)
        self.course.state = state.put(
            replace(
                progress,
                step=move.step,
                state=move.eye,
                unanswered=0,
                answers=(*progress.answers, Answer.of(question, heard)),
            )
        )
        self.course.give(*move.flags)
        if move.eye.lens != progress.state.lens:
            self.course.show(move.eye.lens)
        if isinstance(question, AcuityQuestion) and heard.meaning is Meaning.SET_ACUITY:
            through = _through(question, move.eye)
            self.course.say("acuity_recorded", {"eye": state.eye, "line": heard.value, "through": through})

    def _on_dials(self, question: Question) -> bool:
        """Whether this head's dials can show what is asked about."""
        return all(self.course.instrument.reaches(lens) for lens in lenses_of(question))

    def _reversed_first(self, progress: EyeProgress, question: Question) -> Question:
        """The question, or first a pair shown before, in reverse order, where the answers so far call for it."""
        checked = consistency.to_repeat(progress.answers) if isinstance(question, Choice) else None
        if checked is None or not self._on_dials(checked[1]):
            return question
        self.course.keep(replace(progress, checking=checked))
        return checked[1]

    def _beyond(self, progress: EyeProgress, question: Question) -> None:
        """A lens the dials cannot show is not offered: the lens before the eye stands, and the flag says why."""
        facts = {"dial": "sphere", "at": self.course.instrument.shown(progress.state.lens).sphere}
        self.course.caution((Flag("dial_end", progress.state.eye, facts),))
        progress = self.course.state.of(progress.state.eye)
        if isinstance(question, Choice):
            assert progress.step is not None
            move = progress.step.answer(progress.state, Heard("", Outcome.HEARD, Meaning.FIRST))
            if move.eye.lens == progress.state.lens and move.step != progress.step:
                self.course.keep(replace(progress, step=move.step, state=move.eye))
                return
        self.end_step(Status.SKIPPED)

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
            self.course.give(Flag("too_many_questions", eye, {"asked": progress.asked}))
        self.course.give(StepChange(eye, progress.step.id, Status.SKIPPED))
        self.course.keep(replace(progress, step=None, checking=None, given_up=True))
        self._finished(self.course.state.of(eye))

    def _begin(self, progress: EyeProgress) -> EyeProgress:
        eye = replace(progress.state, age=self.course.state.age)
        step = roads.first_step(eye, progress.road, self.course.start.manner.intake)
        self.course.say("eye_begins", {"eye": eye.eye, "lens": eye.lens})
        self.course.keep(replace(progress, state=eye, step=step, begun=True))
        self.course.show(eye.lens)
        self.course.said_in_full(eye.lens)
        self.course.give(StepChange(eye.eye, step.id, Status.BEGUN))
        return self.course.state.of(eye.eye)

    def end_step(self, status: Status) -> None:
        """The step that is on is over: begin the one that follows."""
        progress = self.course.progress
        step = progress.step
        assert step is not None
        self.course.give(StepChange(progress.state.eye, step.id, status))
        if step.id == "acuity" and progress.state.line_here is None:  # left open: not asked for again at once
            progress = replace(progress, state=replace(progress.state, line_refused=True))
            self.course.keep(progress)
        if step.id in roads.ENDS:
            # A look at the end that moved the lens takes the line again; else the next such look follows.
            ends = progress.ends
            if step.id == PlusCheck.id:  # what was read through plus may leave something open once more
                ends = tuple(id for id in ends if id != Settle.id)
            self.course.keep(replace(progress, step=None, ends=(*ends, step.id)))
            self._next_end(self.course.state.of(progress.state.eye))
            return
        eye, following, passed = roads.following(
            progress.state, step.id, progress.road, self.course.state.power_by, once=self.course.weigh is not None
        )
        if step.id == "sphere_again" and following is not None and self._cylinder_known(eye):
            for id in dict.fromkeys((*passed, following.id, "power_again")):
                self.course.give(StepChange(eye.eye, id, Status.SKIPPED))
            eye, following, passed = roads.following(
                eye, "power_again", progress.road, self.course.state.power_by, once=True
            )
        for id in passed:
            self.course.give(StepChange(eye.eye, id, Status.SKIPPED))
        if following is not None:
            if eye.rounds != progress.state.rounds:
                self.course.give(Flag("acuity_poor_try_again", eye.eye, {"acuity": eye.line_here}))
            if following.id == "acuity" and not progress.by_hand:
                eye = self._weighed(self._said(eye.eye), eye, progress.road)
            self.course.give(StepChange(eye.eye, following.id, Status.BEGUN))
        self.course.keep(replace(self.course.state.of(eye.eye), step=following, state=eye, checking=None))
        if following is None:
            self._next_end(self.course.state.of(eye.eye))

    def _cylinder_known(self, eye: EyeState) -> bool:
        """Whether all answers leave so little of the astigmatism open that it need not be looked at again."""
        progress = self.course.state.of(eye.eye)
        if self.course.weigh is None or progress.road is Road.RECHECK or self.course.start.manner.pace != "book":
            return False
        said = self._said(eye.eye)
        return said is not None and max(said.spread.j0, said.spread.j45) <= plan.CYLINDER_KNOWN

    def _said(self, eye: Eye) -> Said | None:
        """What all answers of the eye together say of it."""
        progress = self.course.state.of(eye)
        if self.course.weigh is None or progress.weighed == len(progress.answers):
            return progress.said
        answers = (one.pair for one in progress.answers)
        given = self.course.start.eye(eye).lens
        said = self.course.weigh(answers, progress.state.lens, progress.state.age, given, progress.said)
        self.course.keep(replace(progress, said=said, weighed=len(progress.answers)))
        return said

    def _weighed(self, said: Said | None, eye: EyeState, road: Road) -> EyeState:
        """The eye with the lens that all its answers together point to."""
        lens = weighed(said, eye, cylinder=road is not Road.RECHECK)
        if lens == eye.lens or not self.course.instrument.reaches(lens):
            return eye
        self.course.show(lens)
        self.course.say("weighed", {"eye": eye.eye, "lens": lens})
        self.course.said_in_full(lens)
        return eye.to(lens)

    def _settling(self, progress: EyeProgress, step: Settle | Led) -> EyeProgress:
        """The lens all answers point to by now, and the next question of those that tell most."""
        said, eye = self._said(progress.state.eye), progress.state
        if isinstance(step, Led):
            lens = step.toward(eye, said)
            if lens != eye.lens and self.course.instrument.reaches(lens):
                eye = eye.to(lens)
                self.course.show(lens)
        else:
            eye = self._weighed(said, eye, progress.road)
        progress = replace(self.course.state.of(eye.eye), state=eye, step=step.following(eye, said))
        self.course.keep(progress)
        return progress

    def _next_end(self, progress: EyeProgress) -> None:
        """The next of the looks at the end of an eye that has something to do."""
        if not self._allowed(progress):
            return
        step: Step | None = PlusCheck() if roads.plus_first(progress) else None
        settles = self.course.weigh is not None and not progress.by_hand and Settle.id not in progress.ends
        if step is None and settles:
            step = Settle(cylinder=progress.road is not Road.RECHECK)
            said = self._said(progress.state.eye)
            progress = self.course.state.of(progress.state.eye)
            eye = progress.state
            if step.settled(eye, said) and weighed(said, eye, step.cylinder) == eye.lens:  # nothing to look at
                progress, step = replace(progress, ends=(*progress.ends, Settle.id)), None
                self.course.keep(progress)
        duochrome = self.course.start.manner.duochrome or "duochrome" in self.course.state.together.wanted
        step = step or roads.next_end(progress, duochrome, self._worse() is progress.state.eye)
        if step is not None:
            self.course.give(StepChange(progress.state.eye, step.id, Status.BEGUN))
            self.course.keep(replace(progress, step=step))

    def _finished(self, progress: EyeProgress) -> None:
        said = self._said(progress.state.eye)
        progress = self.course.state.of(progress.state.eye)
        doubts = consistency.judge(progress.state, progress.answers, said)
        self.course.caution(doubts)
        codes = tuple(flag.code for flag in doubts if flag.code in consistency.UNRELIABLE)
        self.course.keep(replace(progress, finished=True, doubts=codes))
        if progress.told is not None:
            self.course.show(progress.state.lens)
        self.course.cross_away()
        self.course.say("eye_done", {"eye": progress.state.eye, "lens": progress.state.lens})
        self.course.state = replace(self.course.state, dials=progress.state.lens)
        self._pinhole_for_worse()

    def _worse(self) -> Eye | None:
        right, left = self.course.state.right, self.course.state.left
        return closing.lines_differ(right.state.line_here, left.state.line_here)

    def _pinhole_for_worse(self) -> None:
        """Both eyes done and two lines apart: the worse one is looked at through a pinhole."""
        worse = self._worse()
        if worse is None or not (self.course.state.right.finished and self.course.state.left.finished):
            return
        progress = self.course.state.of(worse)
        if not progress.begun or "pinhole" in progress.ends or not self._allowed(progress):
            return
        step = roads.next_end(progress, False, True)
        if step is not None:
            self.course.give(StepChange(worse, step.id, Status.BEGUN))
            on = self.course.state.dials if worse is self.course.state.eye else None
            self.course.state = replace(
                self.course.state.put(replace(progress, step=step, finished=False)), eye=worse, question=None, dials=on
            )
            if on is None:
                self.course.other_eye(progress)


def _through(question: AcuityQuestion, eye: EyeState) -> str:
    """What a line was read through that does not stay: "plus", "pinhole" or ""."""
    if question.step == Pinhole.id:
        return "pinhole"
    return "plus" if question.step in (PlusCheck.id, Settle.id) and question.lens != eye.lens else ""

"""The steps with both eyes: balance, near, intermediate; what is on the dials meanwhile."""

from __future__ import annotations

from dataclasses import replace

from . import closing, roads
from .both import BothState
from .course import Course
from .effects import ShowLens, Status, StepChange
from .meanings import Heard, Meaning
from .questions import AcuityQuestion, Eye, Value
from .steps.balance import Balance
from .steps.near import Near, NearAcuity


class BothEyes:
    """Both eyes, once each is done."""

    def __init__(self, course: Course) -> None:
        self.course = course

    @property
    def going(self) -> bool:
        """Whether one of these steps is on."""
        return self.course.state.together.step is not None and not self.course.state.closing

    def _state(self) -> BothState:
        state, together = self.course.state, self.course.state.together
        return BothState(
            state.right.state,
            state.left.state,
            state.age,
            self.course.start.amplitude,
            self.course.start.manner.working_distance,
            self.course.start.dominant,
            together.add,
            together.intermediate,
            together.acuity,
            together.near_acuity,
        )

    def answer(self, heard: Heard) -> None:
        """Take the answer to the question that stands into its step."""
        step, both, question = self.course.state.together.step, self._state(), self.course.state.question
        assert step is not None
        if heard.meaning is Meaning.SKIP:
            self.leave(Status.SKIPPED)
            return
        move = step.answer(both, heard)
        self.course.give(*move.flags)
        self._take(move.both)
        self.course.state = replace(self.course.state, together=replace(self.course.state.together, step=move.step))
        if isinstance(question, Value) and heard.meaning is Meaning.SET_ACUITY:
            self.course.say("near_acuity_recorded", {"line": heard.value})
        elif isinstance(question, AcuityQuestion) and heard.meaning is Meaning.SET_ACUITY:
            self.course.say("acuity_recorded", {"eye": question.eye, "line": heard.value})

    def _take(self, both: BothState) -> None:
        """Take over what a step with both eyes left; a lens that it moved is shown."""
        for eye in closing.EYES:
            progress = self.course.state.of(eye)
            if both.of(eye) != progress.state:
                self.course.keep(replace(progress, state=both.of(eye)))
            if both.of(eye).lens != progress.state.lens:
                self.course.give(ShowLens(eye, both.of(eye).lens))
        self.course.state = replace(
            self.course.state,
            together=replace(
                self.course.state.together,
                add=both.add,
                intermediate=both.intermediate,
                acuity=both.acuity,
                near_acuity=both.near_acuity,
            ),
        )

    def go_on(self) -> bool:
        """Put the next question to both eyes; False: there is none."""
        while True:
            step = self.course.state.together.step
            if step is None:
                if not self._begin():
                    self._add_on_dials()
                    return False
                continue
            self._add_on_dials()
            question = step.ask(self._state())
            if question is not None:
                if question.eye is not Eye.BOTH and question.eye is not self.course.state.eye:
                    self.course.state = replace(self.course.state, eye=question.eye, dials=None)
                self.course.ask(tries=0, question=question)
                return True
            self.leave(Status.DONE)

    def _begin(self) -> bool:
        """Begin the next step with both eyes; False when all are done."""
        for id in roads.BOTH:
            together = self.course.state.together
            if id in together.done:
                continue
            step, reason = roads.begin_both(id, self.course.state, self._state(), self.course.start.manner)
            if step is not None:
                self.course.give(StepChange(Eye.BOTH, id, Status.BEGUN))
                balanced = together.balanced or id == "balance"
                self.course.state = replace(
                    self.course.state, together=replace(together, step=step, balanced=balanced), dials=None
                )
                if isinstance(step, Near):
                    self.course.say("near_begins", {"step": step.id, "add": step.at, "distance": step.centimetres})
                return True
            self.course.state = replace(self.course.state, together=replace(together, done=(*together.done, id)))
            if reason is not None:
                self.course.give(StepChange(Eye.BOTH, id, Status.SKIPPED))
            if reason not in (None, "young"):
                self.course.say("both_skipped", {"step": id, "why": reason})
        return False

    def leave(self, status: Status, told: bool = True) -> None:
        """The step that is on is over; what a search for the add found is said where it is to be `told`."""
        step = self.course.state.together.step
        assert step is not None
        self.course.give(StepChange(Eye.BOTH, step.id, status))
        question = self.course.state.question
        if isinstance(step, Balance) and question is not None and question.step == step.id:  # both were fogged
            self.course.show_own()
            self.course.say("balance_ends", {str(eye): lens for eye, lens in self.course.dials().items()})
        if isinstance(step, Near):
            self._take(step.left(self._state()))
            age = self.course.state.age
            facts: dict[str, object] = {"step": step.id, "add": step.found, "limit": step.at_limit}
            if age is not None:
                facts["clear"] = closing.clear_range(step.found, age, step.centimetres)
            if told:
                self.course.say("add_found", facts)
        together = replace(self.course.state.together, step=None, done=(*self.course.state.together.done, step.id))
        if isinstance(step, Near) and step.id == "near":
            together = replace(together, tentative=status is not Status.DONE, limited=step.at_limit)
        # The dials of one eye are not known by what was last shown to both.
        self.course.state = replace(self.course.state, question=None, together=together, dials=None)

    def break_off(self) -> None:
        """Leave what is done with both eyes for something else; the dials go back to distance."""
        if self.going:
            self.leave(Status.SKIPPED)
        self._add_on_dials()

    def _add_on_dials(self) -> None:
        """The add goes on both sphere dials while near is looked at, and comes off after."""
        together = self.course.state.together
        add = 0
        if isinstance(together.step, Near):
            add = together.step.at
        elif isinstance(together.step, NearAcuity):
            add = together.add or 0
        if add == together.on_dials:
            return
        self.course.state = replace(self.course.state, together=replace(together, on_dials=add))
        if not add:
            self.course.say("back_to_distance")
        for eye, lens in self.course.dials().items():
            self.course.give(ShowLens(eye, lens))

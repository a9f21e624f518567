"""What the examiner may say besides answers: each command takes the utterance it was heard in."""

from __future__ import annotations

from dataclasses import replace

from ..optics.rounding import nearest_lens
from ..optics.transpose import to_plus
from ..optics.vertex import VertexError, at_vertex
from . import closing, roads, route
from .effects import Flag, ShowLens, Status, StepChange
from .instrument import InstrumentError
from .meanings import Heard
from .questions import Confirm, Eye
from .start import Road
from .steps.near import Near
from .way import Way

_ROOM = frozenset({"age", "pd", "near_pd", "vertex"})


class Commands:
    """What a command does to the course of an exam."""

    def __init__(self, way: Way) -> None:
        self.way, self.course = way, way.course

    def set(self, heard: Heard) -> None:
        """Something was set by its number: a dial, the line read, the add, the room."""
        state, value = self.course.state, heard.value
        name = str(heard.meaning).removeprefix("set_")
        self.course.remember()
        if name in _ROOM:
            self.way.room(name, value)
            if name in state.setting_up:
                waiting = tuple(id for id in state.setting_up if id != name)
                self.course.state = replace(self.course.state, setting_up=waiting)
                self.course.give(StepChange(Eye.BOTH, name, Status.DONE))
        elif name == "acuity":
            progress = state.of(state.eye)
            read = replace(progress.state, line=str(value), line_lens=progress.state.lens)
            self.course.state = state.put(replace(progress, state=read))
            self.course.say("acuity_recorded", {"eye": state.eye, "line": value})
        elif name == "add":
            assert isinstance(value, int)
            self._set_add(value)
        else:
            assert isinstance(value, int)
            self._turn(name, value)
            return
        self.way.go_on()

    def _turn(self, dial: str, value: int) -> None:
        """A dial was set by command: the step that is on begins anew from there."""
        state = self.course.state
        progress = state.of(state.eye)
        try:
            lens = self.course.instrument.turned(progress.state.lens, dial, value)
        except InstrumentError:
            self.course.before.pop()
            self.course.give(Flag("dial_end", state.eye, {"dial": dial, "at": value, "asked": True}))
            self.course.ask(tries=state.tries, counted=False)  # no answer, and none that was missed
            return
        eye = progress.state.to(lens)
        step = progress.step.rebased(eye) if progress.step is not None else None
        last = step is None or step.id in roads.LAST
        progress = replace(progress, state=eye, step=step, checking=None, by_hand=progress.by_hand or last)
        self.course.keep(progress)
        self.course.show(lens)
        self.course.say("dials_set", {"eye": state.eye, "dial": dial, "lens": lens})
        self.course.said_in_full(lens)
        if dial == "axis" and self.course.state.dials is not None:  # said without a cylinder, too
            self.course.state = replace(self.course.state, dials=self.course.state.dials.with_axis(lens.axis))
        self.way.go_on()

    def _set_add(self, add: int) -> None:
        """The examiner's word on the add: a refinement that is on is over."""
        if isinstance(self.course.state.together.step, Near) and self.course.state.together.step.id == "near":
            self.way.both.leave(Status.DONE, told=False)
        together = self.course.state.together
        self.course.state = replace(
            self.course.state,
            together=replace(together, add=add, tentative=False, limited=False, done=(*together.done, "near")),
        )
        self.course.say("add_recorded", {"add": add})

    def undo(self, heard: Heard) -> None:
        """Back to before the last answer or setting; what was cautioned stays so."""
        if not self.course.before:
            self.course.say("nothing_to_undo")
        else:
            shown = self.course.dials()
            now, before = self.course.state, self.course.before.pop()
            on = now.dials or self.course.lens()
            here = before.eye is now.eye and before.together.step is now.together.step is None
            if not here:
                self.course.cross_away()
            self.course.state = replace(
                before, paused=now.paused, dials=on if here else None, pinhole=now.pinhole, raised=now.raised
            )
            self.course.say("undone")
            if now.together.on_dials and not before.together.on_dials:
                self.course.say("back_to_distance")
            for eye, lens in self.course.dials().items():
                if lens != shown[eye]:
                    self.course.give(ShowLens(eye, lens))
            if not here:
                self.course.say_dials()
        question = self.course.state.question
        if not self.course.state.paused and question is not None:
            self.course.state = replace(self.course.state, question=None)  # the pair shown last was another one
            self.course.ask(tries=0, question=question)

    def repeat(self, heard: Heard) -> None:
        """The question that stands, put again."""
        self.course.ask(tries=0)

    def again(self, heard: Heard) -> None:
        # Asking to see it again is fair; asking for ever is a question that cannot be answered.
        self.way.tried()

    def examiner_asks(self, heard: Heard) -> None:
        """The examiner's own question: nothing to do, the answer follows."""

    def read_back(self, heard: Heard) -> None:
        """The lens of the eye that is on, and its line."""
        progress = self.course.progress
        self.course.say(
            "read_back_eye",
            {"eye": self.course.state.eye, "lens": progress.state.lens, "acuity": progress.state.line_here},
        )

    def transpose(self, heard: Heard) -> None:
        """The lens in the other cylinder form, for whoever writes that way; the record stays as it is."""
        state = self.course.state
        lenses = {str(eye): state.of(eye).state.lens for eye in closing.EYES if state.of(eye).begun}
        lenses = lenses or {str(state.eye): self.course.lens()}
        plus = self.course.instrument.plus
        self.course.say("transposed", {eye: lens if plus else to_plus(lens) for eye, lens in lenses.items()})

    def power_at(self, heard: Heard) -> None:
        """What the lenses come to at another vertex distance."""
        vertex, goal = self.course.state.room.vertex, heard.value
        assert isinstance(goal, (int, float))
        if vertex is None:
            self.course.say("vertex_needed")
            return
        lenses: dict[str, object] = {"from": vertex, "to": goal}
        for eye in closing.EYES:
            progress = self.course.state.of(eye)
            if not (progress.begun or progress.state.given):
                continue
            try:
                lenses[str(eye)] = nearest_lens(at_vertex(progress.state.lens.vector, vertex, float(goal)))
            except VertexError:
                lenses[str(eye)] = None
        self.course.say("power_at", lenses)

    def why(self, heard: Heard) -> None:
        """What the step that is on is for."""
        if self.course.state.question is not None:
            self.course.say("why", {"step": self.course.state.question.step})

    def note(self, heard: Heard) -> None:
        """A remark for the record, which has it as it was heard."""
        self.course.say("noted")

    def reason(self, heard: Heard) -> None:
        """The reason for the visit."""
        self.course.remember()
        self.way.room("reason", heard.value or "")
        if not self.course.state.paused:
            self.course.ask(tries=0)

    def pause(self, heard: Heard) -> None:
        """Nothing is taken for an answer until it goes on."""
        self.course.state = replace(self.course.state, paused=True)
        self.course.say("paused")

    def resume(self, heard: Heard) -> None:
        """Goes on with the question that stood."""
        self.course.state = replace(self.course.state, paused=False)
        self.course.say("resumed")
        self.course.ask_afresh()

    def next(self, heard: Heard) -> None:
        """This step is done."""
        self._leave(Status.DONE)

    def skip(self, heard: Heard) -> None:
        """This step is left out."""
        self._leave(Status.SKIPPED)

    def _leave(self, status: Status) -> None:
        """Leave the step that is on with the lens as it is; a pause is over with it."""
        self.course.state = replace(self.course.state, paused=False)
        if isinstance(self.course.state.question, Confirm):  # there is nothing after it to go on to
            self.way.tried()
            return
        self.course.remember()
        self.way.leave_step(status)
        self.way.go_on()

    def switch_eye(self, heard: Heard) -> None:
        """To the eye named, or the other one."""
        self.course.state = replace(self.course.state, paused=False)
        self.course.remember()
        wanted = Eye(heard.value) if heard.value in ("right", "left") else self.course.state.eye.other
        self._to_eye(wanted, "power")

    def _to_eye(self, wanted: Eye, after: str) -> None:
        """Look at an eye: go on with it, or look at a finished one again from the steps that follow `after`."""
        self.way.both.break_off()
        self.course.cross_away()
        progress = replace(self.course.state.of(wanted), examined=True)
        if progress.finished and progress.begun:
            step = route.following(progress.state, after)[1]
            progress = replace(
                progress, finished=False, given_up=False, unanswered=0, ends=(), doubts=(), by_hand=False, step=step
            )
            if step is not None:
                self.course.give(StepChange(wanted, step.id, Status.BEGUN))
        else:
            progress = replace(progress, finished=False)
        self.course.state = replace(
            self.course.state.put(progress), eye=wanted, closing=False, question=None, dials=None
        )
        self.course.other_eye(progress)
        self.way.go_on()

    def refine(self, heard: Heard) -> None:
        """To the fine steps at once, from the lens that stands before the eye."""
        self.course.remember()
        self._short(self.course.state.eye, Road.REFINE)

    def recheck(self, heard: Heard) -> None:
        """One eye's sphere, over-minus check and acuity again, its cylinder as it is."""
        self.course.remember()
        self._short(Eye(heard.value) if heard.value in ("right", "left") else self.course.state.eye, Road.RECHECK)

    def _short(self, eye: Eye, road: Road) -> None:
        self.way.both.break_off()
        progress = self.course.state.of(eye)
        if progress.step is not None:
            self.course.give(StepChange(eye, progress.step.id, Status.SKIPPED))
        state, step = roads.shortened(progress.state, road)
        self.course.give(StepChange(eye, step.id, Status.BEGUN))
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
        on = self.course.state.dials if eye is self.course.state.eye else None
        self.course.state = replace(self.course.state.put(progress), eye=eye, closing=False, question=None, dials=on)
        self.course.show(state.lens)
        if on is None:
            self.course.other_eye(progress)
        self.way.go_on()

    def want(self, heard: Heard) -> None:
        """A step with both eyes is asked for: at once where the eyes are done, else when they are."""
        id = str(heard.meaning)
        self.course.remember()
        together = self.course.state.together
        now = {id, f"{id}_acuity"}
        if id == "intermediate" and together.add is None:
            now |= {"near", "near_acuity"}
        done = tuple(one for one in together.done if one not in now)
        near_acuity = None if "near" in now else together.near_acuity
        self.course.state = replace(
            self.course.state,
            together=replace(together, wanted=together.wanted | now, done=done, near_acuity=near_acuity),
        )
        if not all(self.course.state.of(eye).finished for eye in closing.EYES):
            self.course.say("wanted_later", {"what": id})
            self.course.ask(tries=0)
            return
        self.course.state = replace(self.course.state, closing=False, question=None)
        self.way.go_on()

    def duochrome(self, heard: Heard) -> None:
        """Red against green for the eye that is on, at its end; at once where it is done."""
        self.course.remember()
        progress = self.course.progress
        ends = tuple(id for id in progress.ends if id != "duochrome")
        if progress.finished and progress.begun:
            progress = replace(progress, finished=False)
            self.course.state = replace(self.course.state, closing=False, question=None)
        self.course.keep(replace(progress, ends=ends))
        self.course.state = replace(
            self.course.state,
            together=replace(self.course.state.together, wanted=self.course.state.together.wanted | {"duochrome"}),
        )
        self.way.go_on()

    def cylinder_by(self, heard: Heard) -> None:
        """The cylinder's power by dial steps or by cross cylinder, from here on."""
        self.course.remember()
        by = str(heard.value)
        self.course.state = replace(self.course.state, power_by=by)
        progress = self.course.progress
        if progress.step is not None and progress.step.id == "power":
            step = roads.power_step(progress.state, by)
            self.course.keep(replace(progress, step=step, checking=None))
        self.course.say("cylinder_by", {"by": by})
        self.way.go_on()

    def finish_early(self, heard: Heard) -> None:
        """To the read-back with what there is; said there once more, the exam is over unconfirmed."""
        if self.course.state.closing:
            self.way.finish(confirmed=False)
            return
        self.course.remember()
        self.way.both.break_off()
        self.course.state = replace(self.course.state, closing=True, paused=False, question=None)
        self.way.go_on()

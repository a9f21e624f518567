"""The course of an exam: where it is, and what it says and shows on its way. What all its parts share."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from ..optics.lens import Lens
from . import closing, plan
from .effects import Ask, Effect, Flag, Say, ShowLens
from .eye import EyeState
from .instrument import Instrument
from .meanings import Speaker
from .progress import EyeProgress, Room, State, Together
from .questions import AcuityQuestion, Choice, Eye, Legible, Question
from .start import Road, Start, StartEye
from .steps.near import with_add
from .steps.seeing import Pinhole
from .weighing import Weigh


class Course:
    """`state` is where the exam is, `before` where it was before each thing that *undo* takes back; `start` and `weigh`
    as given to the exam. What is to be done is given out in order, and kept until it is fetched (`flush`)."""

    def __init__(self, start: Start, weigh: Weigh | None) -> None:
        self.start, self.weigh = start, weigh
        self.before: list[State] = []
        self._out: list[Effect] = []
        manner = start.manner
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

    @property
    def progress(self) -> EyeProgress:
        """The eye that is on."""
        return self.state.of(self.state.eye)

    def keep(self, progress: EyeProgress) -> None:
        """Put down where an eye is."""
        self.state = self.state.put(progress)

    def give(self, *effects: Effect) -> None:
        """Have these carried out, after those before."""
        self._out += effects

    @property
    def instrument(self) -> Instrument:
        """The refractor head the prompts and the dial commands speak of."""
        return self.start.manner.instrument

    def remember(self) -> None:
        """What is done next can be undone to here."""
        self.before.append(self.state)

    def say(self, key: str, facts: dict[str, object] | None = None) -> None:
        self.give(Say(Speaker.EXAMINER, key, facts or {}))

    def show(self, lens: Lens) -> None:
        """The eye that is on has this lens before it now."""
        self.give(ShowLens(self.state.eye, lens))
        progress = self.progress
        if progress.told is not None:
            self.keep(replace(progress, told=None))

    def show_own(self) -> None:
        """What was shown for a question only is gone: each eye has its own lens before it."""
        for eye in closing.EYES:
            progress = self.state.of(eye)
            if progress.told is not None:
                self.give(ShowLens(eye, progress.state.lens))
                self.keep(replace(progress, told=None))

    def _shown(self, progress: EyeProgress, lens: Lens) -> Lens | None:
        """A lens is what an eye's dials should show as it is asked about: shown, where they should have shown another.
        What is then told of that eye."""
        lens, own = lens.with_cross(None), progress.state.lens
        if lens == (progress.told or own):
            return progress.told
        self.give(ShowLens(progress.state.eye, lens))
        return lens if lens != own else None

    def cross_away(self) -> None:
        """A cross cylinder that is still before the eye that is on is not left there."""
        on = self.state.dials
        if on is not None and on.cross is not None:
            self.say("cross_away")
            self.state = replace(self.state, dials=on.with_cross(None))

    def other_eye(self, progress: EyeProgress) -> None:
        """An eye is gone back to: what its dials should show is said in full."""
        self.say("other_eye", {"eye": progress.state.eye, "lens": progress.state.lens})
        self.said_in_full(progress.state.lens)

    def said_in_full(self, lens: Lens) -> None:
        """The dials of the eye that is on were told this lens; of what was before it, a cross cylinder is left."""
        on = self.state.dials
        left = lens if on is None else _turned(on, lens).with_cross(on.cross)
        self.state = replace(self.state, dials=left)

    def ask_afresh(self, counted: bool = True) -> None:
        """The question that stands once more, for whoever may have turned the dials."""
        self.say_dials()
        question, tries = self.state.question, self.state.tries
        self.state = replace(self.state, question=None)  # no pair was just shown
        self.ask(0 if counted else tries, question, counted)

    def say_dials(self) -> None:
        """What the dials of the eye asked about should show, or those of both eyes."""
        question = self.state.question
        if question is None:
            return
        if question.eye is not Eye.BOTH:
            self.other_eye(self.state.of(question.eye))
            if isinstance(question, Choice) and question.first.cross is not None:  # that it goes in is said as well
                self.state = replace(self.state, dials=self.state.of(question.eye).state.lens)
        elif self.state.together.step is not None and not self.state.closing:
            for eye, lens in self.dials().items():
                self.say("other_eye", {"eye": eye, "lens": lens})
            self.state = replace(self.state, dials=None)

    def caution(self, flags: Iterable[Flag]) -> None:
        """Give out the cautions that are new."""
        for flag in flags:
            if flag not in self.state.raised:
                self.state = replace(self.state, raised=(*self.state.raised, flag))
                self.give(flag)

    def ask(self, tries: int, question: Question | None = None, counted: bool = True) -> None:
        """Put a question, or the one that stands once more; `tries` were without an answer. Where it is not `counted`,
        only the dials are other ones after it."""
        question = question or self.state.question
        assert question is not None
        if self.state.pinhole and question.step != Pinhole.id:
            self.say("pinhole_out")
        state, lenses = replace(self.state, pinhole=question.step == Pinhole.id), lenses_of(question)
        number, on, dials = 1, state.dials, state.dials
        if question.eye is not Eye.BOTH:
            progress = state.of(question.eye)
            number, lens, told = progress.asked + counted, progress.state.lens, progress.told
            between = question.step == "duochrome"  # its colours stand for the two lenses: the dials stay between them
            if isinstance(question, Choice) and not between:
                told = self._shown(progress, question.first)
            if lenses:
                if on is None and lenses[0].with_cross(None) != lens:
                    on = lens  # no dial was told since
                dials = _turned(on, lens) if between else _turned(_turned(on, lenses[0]), lenses[-1])
            state = state.put(replace(progress, asked=number, told=told))
        elif isinstance(question, Choice):
            dials = question.second
            if question.step == "balance":
                for eye, lens in zip(closing.EYES, lenses, strict=True):
                    state = state.put(replace(state.of(eye), told=self._shown(state.of(eye), lens)))
        self.give(Ask(question, number, tries, on, self._back_to_one(question)))
        unclear = 0 if counted else state.unclear
        self.state = replace(state, question=question, tries=tries, unclear=unclear, dials=dials)

    def _back_to_one(self, question: Question) -> bool:
        """Whether the first lens of a pair is the one that was "one" in the pair just shown."""
        before, on = self.state.question, self.state.dials
        if not (isinstance(question, Choice) and isinstance(before, Choice)) or before.eye is not question.eye:
            return False
        return before.first == question.first and before.second == on

    def dials(self) -> dict[Eye, Lens]:
        """What the dials of each eye were to show by the last word, the add on them while near is looked at."""
        add, eyes = self.state.together.on_dials, (self.state.of(eye) for eye in closing.EYES)
        return {one.state.eye: one.told or with_add(one.state.lens, add) for one in eyes}

    def lens(self) -> Lens:
        """Before the eye that is on."""
        return self.progress.state.lens

    def flush(self) -> tuple[Effect, ...]:
        """All that was given out since."""
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


def _turned(on: Lens | None, lens: Lens) -> Lens:
    """What dials show that were told a lens: without a cylinder nobody was told an axis, and they keep theirs."""
    return lens if on is None or lens.cylinder or lens.cross else lens.with_axis(on.axis)


def lenses_of(question: Question) -> tuple[Lens, ...]:
    """The lenses a question shows, in order; none for one that is not about lenses."""
    if isinstance(question, Choice):
        return question.first, question.second
    return (question.lens,) if isinstance(question, (Legible, AcuityQuestion)) else ()

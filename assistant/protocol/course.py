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

    def _first_shown(self, progress: EyeProgress, pair: Choice) -> Lens | None:
        """The first lens of a pair is what the dials should show as it is asked: told where that is another lens."""
        first, lens = pair.first.with_cross(None), progress.state.lens
        if first == (progress.told or lens):
            return progress.told
        self.give(ShowLens(pair.eye, first))
        return first if first != lens else None

    def other_eye(self, progress: EyeProgress) -> None:
        """An eye is gone back to: what its dials should show is said in full."""
        self.say("other_eye", {"eye": progress.state.eye, "lens": progress.state.lens})

    def caution(self, flags: Iterable[Flag]) -> None:
        """Give out the cautions that are new."""
        for flag in flags:
            if flag not in self.state.raised:
                self.state = replace(self.state, raised=(*self.state.raised, flag))
                self.give(flag)

    def ask(self, tries: int, question: Question | None = None) -> None:
        """Put a question, or the one that stands once more; `tries` were without an answer."""
        question = question or self.state.question
        assert question is not None
        state, lenses = self.state, lenses_of(question)
        number, on, dials = 1, state.dials, state.dials
        if question.eye is not Eye.BOTH:
            progress = state.of(question.eye)
            number, lens, told = progress.asked + 1, progress.state.lens, progress.told
            between = question.step == "duochrome"  # its colours stand for the two lenses: the dials stay between them
            if isinstance(question, Choice) and not between:
                told = self._first_shown(progress, question)
            if lenses:
                if on is None and lenses[0].with_cross(None) != lens:
                    on = lens  # they show the lens last told
                dials = lens if between else lenses[-1]
            state = state.put(replace(progress, asked=number, told=told))
        elif isinstance(question, Choice) and question.step in ("near", "intermediate"):
            dials = question.second
        self.give(Ask(question, number, tries, on, self._back_to_one(question)))
        self.state = replace(state, question=question, tries=tries, unclear=0, dials=dials)

    def _back_to_one(self, question: Question) -> bool:
        """Whether the first lens of a pair is the one that was "one" in the pair just shown."""
        before, on = self.state.question, self.state.dials
        if not (isinstance(question, Choice) and isinstance(before, Choice)) or before.eye is not question.eye:
            return False
        return before.first == question.first and before.second == on

    def dials(self) -> dict[Eye, Lens]:
        """What the dials of each eye should show, the add on them while near is looked at."""
        add = self.state.together.on_dials
        return {eye: with_add(self.state.of(eye).state.lens, add) for eye in closing.EYES}

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


def lenses_of(question: Question) -> tuple[Lens, ...]:
    """The lenses a question shows, in order; none for one that is not about lenses."""
    if isinstance(question, Choice):
        return question.first, question.second
    return (question.lens,) if isinstance(question, (Legible, AcuityQuestion)) else ()

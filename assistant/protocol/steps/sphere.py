"""The sphere settled to a quarter; plus is tried first and wins a tie.

Coming from the plus side matters: an eye that can accommodate sees as well through too much minus, so minus has
to earn its place by a better picture, and plus that costs nothing is kept (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from .. import plan
from ..effects import Flag
from ..eye import EyeState, line_feet, sphere_within
from ..meanings import Heard, Meaning
from ..questions import AcuityQuestion, Choice, Question
from ..search import Search
from .acuity import read_through
from .base import EQUAL, Move


@dataclass(frozen=True)
class Sphere:
    """
    reading    the line through the present lens is being asked for: did the minus taken buy a better one?
    taken      lenses taken since the line was last read; `from_sphere` and `from_line` are what they left
    equal      how many of them were taken on an equal answer
    """

    search: Search
    reading: bool = False
    taken: int = 0
    from_sphere: int = 0
    from_line: str | None = None
    equal: int = 0

    id = "sphere_again"

    @staticmethod
    def fine(eye: EyeState) -> Sphere:
        return Sphere(Search(eye.lens.sphere, plan.SPHERE_FINEST, 1, plan.SPHERE_FINEST, plan.SPHERE_STEP_POOR))

    def rebased(self, eye: EyeState) -> Sphere:
        return Sphere(self.search.rebased(eye.lens.sphere))

    def _within(self) -> Sphere:
        """Past over proposals beyond the dial's ends."""
        search = self.search
        while not search.done and not sphere_within(search.proposal):
            search = search.refuse()
        return replace(self, search=search)

    def ask(self, eye: EyeState) -> Question | None:
        search = self._within().search
        if self.reading:
            return AcuityQuestion(eye.eye, self.id, eye.lens)
        if search.done:
            return None
        return Choice(eye.eye, self.id, eye.lens, eye.lens.with_sphere(search.proposal))

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        if self.reading:
            return replace(self, reading=False)._read(read_through(eye, heard))
        ready = self._within()
        if heard.meaning in EQUAL:
            return ready._equal(eye)
        if heard.meaning is Meaning.SECOND:
            return ready._take(eye)
        search = ready.search
        if search.toward < 0 and search.step == plan.SPHERE_FINEST:
            eye = replace(eye, minus_refused=search.at)
        return Move(replace(ready, search=search.refuse()), eye)

    def _read(self, eye: EyeState) -> Move:
        """The line is known now: go on, or go back to where it was read before."""
        here, before = eye.line_here, self.from_line
        step = replace(self, taken=0, equal=0)
        if here and before and line_feet(here) >= line_feet(before):
            return step._back(eye)
        return Move(step, eye)

    def _back(self, eye: EyeState) -> Move:
        """The minus bought no better line: back to the lens before it, and not that way again."""
        lens = eye.lens.with_sphere(self.from_sphere)
        search = replace(self.search.rebased(self.from_sphere), toward=-1, step=plan.SPHERE_FINEST).refuse()
        # The line read through the lens before is known again.
        return Move(replace(self, search=search), replace(eye, lens=lens, line=self.from_line, line_lens=lens))

    def _equal(self, eye: EyeState) -> Move:
        """Plus wins a tie; a second tie means the eye focuses through it: the check will tell.

        An eye too old to focus through anything sees a tie on both sides of the focus alike: it stays.
        """
        search = self.search
        rests = eye.age is not None and eye.age >= plan.NO_ACCOMMODATION_FROM
        if rests or search.toward < 0:
            return Move(replace(self, search=search.refuse()), eye)
        move = replace(self, equal=self.equal + 1)._take(eye)
        if self.equal + 1 < plan.EQUAL_RUN:
            return move
        ended = replace(self, search=replace(search, at=move.eye.lens.sphere, step=0))
        return replace(move, step=ended)

    def _take(self, eye: EyeState) -> Move:
        search = self.search
        first = self.taken == 0
        step = replace(
            self,
            search=search.taken(),
            taken=self.taken + 1,
            from_sphere=search.at if first else self.from_sphere,
            from_line=(eye.line_here if first else self.from_line),
        )
        minus = step.search.at < step.from_sphere
        if minus and not eye.line_refused and step.taken >= plan.MINUS_RUN_FINE:
            step = replace(step, reading=True)
        flags: tuple[Flag, ...] = ()
        if not sphere_within(step.search.at + search.toward * plan.SPHERE_FINEST):
            flags = (Flag("dial_end", eye.eye, {"dial": "sphere", "at": step.search.at}),)
        return Move(step, eye.to(eye.lens.with_sphere(step.search.at)), flags)

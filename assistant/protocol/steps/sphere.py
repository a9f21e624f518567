"""Sphere: bring the best sphere near, then settle it to a quarter; plus is tried first and wins a tie.

Coming from the plus side matters: an eye that can accommodate sees as well through too much minus, so minus has
to earn its place by a better picture, and plus that costs nothing is kept (common practice, no source).

"The same" has two causes: both lenses are clear, or both are too blurred to tell. The line read through the
lens before the eye decides which, so it is asked for whenever it is not known.
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
    """The sphere step, coarse (`sphere`) or fine (`sphere_again`).

    reading  the line read through the present lens is being asked for, because of an equal answer
    bracketed  some lens was plainly worse than the present one, so this eye can tell at such steps
    run      equal answers in a row on which plus was taken; `run_from` is the sphere before the first of them
    """

    id: str
    search: Search
    reading: bool = False
    run: int = 0
    run_from: int = 0
    run_line: str | None = None
    bracketed: bool = False

    @staticmethod
    def coarse(eye: EyeState) -> Sphere:
        """From zero or a starting point; the first step by the acuity."""
        step = _first_step(eye)
        widest = max(step, plan.SPHERE_STEP_VERY_POOR)
        return Sphere("sphere", Search(eye.lens.sphere, step, 1, plan.SPHERE_FINEST_FIRST, widest))

    @staticmethod
    def fine(eye: EyeState) -> Sphere:
        search = Search(eye.lens.sphere, plan.SPHERE_FINEST, 1, plan.SPHERE_FINEST, plan.SPHERE_STEP_POOR)
        return Sphere("sphere_again", search)

    def rebased(self, eye: EyeState) -> Sphere:
        return Sphere(self.id, self.search.rebased(eye.lens.sphere))

    def _within(self) -> Sphere:
        """Past over proposals beyond the dial's ends."""
        search = self.search
        while not search.done and not sphere_within(search.proposal):
            search = search.refuse()
        return replace(self, search=search)

    def ask(self, eye: EyeState) -> Question | None:
        if self.reading:
            return AcuityQuestion(eye.eye, self.id, eye.lens)
        search = self._within().search
        if search.done:
            return None
        return Choice(eye.eye, self.id, eye.lens, eye.lens.with_sphere(search.proposal))

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        if self.reading:
            eye = read_through(eye, heard)
            return replace(self, reading=False)._after_reading(eye)
        ready = self._within()
        if heard.meaning in EQUAL:
            if eye.line_here is None and not eye.line_refused:
                return Move(replace(ready, reading=True), eye)
            return ready._equal(eye)
        if heard.meaning is Meaning.SECOND:
            return replace(ready, run=0)._take(eye)
        search = ready.search
        if search.toward < 0 and search.step == plan.SPHERE_FINEST:
            eye = replace(eye, minus_refused=search.at)
        return Move(replace(ready, search=search.refuse(), run=0, bracketed=True), eye)

    def _after_reading(self, eye: EyeState) -> Move:
        if self.run < plan.EQUAL_RUN:
            return self._equal(eye)
        # A run of plus that seemed to cost nothing: the line says whether it did.
        if self.run_line and eye.line_here and line_feet(eye.line_here) > plan.WORSE_BY * line_feet(self.run_line):
            search = self.search.rebased(self.run_from).refuse()
            return Move(replace(self, search=search, run=0), eye.to(eye.lens.with_sphere(self.run_from)))
        return Move(replace(self, run=0), eye)

    def _equal(self, eye: EyeState) -> Move:
        search = self.search
        if eye.blurred or eye.line_here is None:
            # Too small a step to show through this blur: a wider one, or this way leads nowhere.
            if search.step < plan.SPHERE_WIDEST and not self.bracketed:
                wide = replace(search, widest=plan.SPHERE_WIDEST).widened()
                return Move(replace(self, search=replace(wide, toward=-search.toward)), eye)
            return Move(replace(self, search=search.refuse()), eye)
        if search.toward < 0:
            return Move(replace(self, search=search.refuse(), run=0), eye)
        first = self.run == 0
        begun = replace(
            self,
            run=self.run + 1,
            run_from=search.at if first else self.run_from,
            run_line=eye.line_here if first else self.run_line,
        )
        move = begun._take(eye)
        if begun.run < plan.EQUAL_RUN:
            return move
        assert isinstance(move.step, Sphere)
        return replace(move, step=replace(move.step, reading=True))

    def _take(self, eye: EyeState) -> Move:
        search = self.search
        moved = search.taken()
        flags: tuple[Flag, ...] = ()
        if not sphere_within(moved.at + search.toward * plan.SPHERE_FINEST):
            flags = (Flag("dial_end", eye.eye, {"dial": "sphere", "at": moved.at}),)
        return Move(replace(self, search=moved), eye.to(eye.lens.with_sphere(moved.at)), flags)


def _first_step(eye: EyeState) -> int:
    line = eye.line
    if eye.given or (line is not None and line_feet(line) < line_feet(plan.POOR)):
        return plan.SPHERE_STEP_FAIR
    if line is not None and line_feet(line) >= line_feet(plan.VERY_POOR):
        return plan.SPHERE_STEP_VERY_POOR
    return plan.SPHERE_STEP_POOR

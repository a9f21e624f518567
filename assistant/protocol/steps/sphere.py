"""Sphere: bring the best sphere near, then settle it to a quarter; plus is tried first and wins a tie.

Coming from the plus side matters: an eye that can accommodate sees as well through too much minus, so minus has
to earn its place by a better picture, and plus that costs nothing is kept (common practice, no source).

"The same" has two causes: both lenses are clear, or both are too blurred to tell. The line read through the
lens before the eye decides which, so it is asked for whenever it is not known.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

from .. import plan
from ..effects import Flag
from ..eye import EyeState, line_feet, sphere_within
from ..meanings import Heard, Meaning
from ..questions import AcuityQuestion, Choice, Question
from ..search import Search
from .acuity import read_through
from .base import EQUAL, Move


class Reading(Enum):
    """Why the line is asked for in the middle of the search."""

    NONE = "none"
    EQUAL = "equal"  # two lenses looked the same: both clear, or both blurred?
    PROGRESS = "progress"  # did what was taken buy a better line?


@dataclass(frozen=True)
class Sphere:
    """The sphere step, coarse (`sphere`) or fine (`sphere_again`).

    reading    the line read through the present lens is being asked for, and why
    taken      lenses taken since the line was last read; `from_sphere` and `from_line` are what they left
    equal      how many of them were taken on an equal answer
    vague      the directions refused at this step on an equal answer, not on a plainly worse lens
    widenings  times the step was widened because neither direction showed a difference
    unproven   no wide step was plainly refused yet, so a poor line may still mean a wrong sphere
    widened    the search was begun once more with a wide step because the line stayed poor
    """

    id: str
    search: Search
    reading: Reading = Reading.NONE
    taken: int = 0
    from_sphere: int = 0
    from_line: str | None = None
    equal: int = 0
    vague: tuple[int, ...] = ()
    widenings: int = 0
    unproven: bool = True
    widened: bool = False

    @staticmethod
    def coarse(eye: EyeState) -> Sphere:
        """From zero or a starting point; the first step by the acuity."""
        step = _step_for(eye)
        widest = max(step, plan.SPHERE_STEP_VERY_POOR)
        search = Search(eye.lens.sphere, step, 1, plan.SPHERE_FINEST_FIRST, widest)
        return Sphere("sphere", search, widened=eye.rounds > 0)

    @staticmethod
    def fine(eye: EyeState) -> Sphere:
        search = Search(eye.lens.sphere, plan.SPHERE_FINEST, 1, plan.SPHERE_FINEST, plan.SPHERE_STEP_POOR)
        return Sphere("sphere_again", search)

    def rebased(self, eye: EyeState) -> Sphere:
        return Sphere(self.id, self.search.rebased(eye.lens.sphere), widened=self.widened)

    def _within(self) -> Sphere:
        """Past over proposals beyond the dial's ends."""
        search = self.search
        while not search.done and not sphere_within(search.proposal):
            search = search.refuse()
        return replace(self, search=search)

    def ask(self, eye: EyeState) -> Question | None:
        search = self._within().search
        if self.reading is not Reading.NONE or self._ends_unread(eye):
            return AcuityQuestion(eye.eye, self.id, eye.lens)
        if search.done:
            return None
        return Choice(eye.eye, self.id, eye.lens, eye.lens.with_sphere(search.proposal))

    def _ends_unread(self, eye: EyeState) -> bool:
        """The coarse search is over but nothing yet shows that it ended near the focus."""
        done = self._within().search.done
        return self.id == "sphere" and done and not self.widened and eye.line_here is None and not eye.line_refused

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        if self.reading is not Reading.NONE or self._ends_unread(eye):
            return self._read(read_through(eye, heard))
        ready = self._within()
        if heard.meaning in EQUAL:
            if self.id != "sphere":
                return ready._equal_near_focus(eye)
            if eye.line_here is None and not eye.line_refused:
                return Move(replace(ready, reading=Reading.EQUAL), eye)
            return ready._equal(eye)
        if heard.meaning is Meaning.SECOND:
            return ready._take(eye)
        search = ready.search
        if search.toward < 0 and search.step == plan.SPHERE_FINEST:
            eye = replace(eye, minus_refused=search.at)
        return ready._refuse(eye, False)

    def _refuse(self, eye: EyeState, vague: bool) -> Move:
        """The proposal is not taken.

        When that closes a step in both directions: where neither way shows a difference, the step is widened, not
        halved; where one way does and the other does not, the middle of what looks the same lies that other way.
        """
        search = self.search
        wide = search.step >= plan.SPHERE_STEP_VERY_POOR
        step = replace(
            self,
            unproven=vague if wide else self.unproven,
            vague=(*self.vague, search.toward) if vague else self.vague,
        )
        if len(search.refused | {search.toward}) < 2:
            return Move(replace(step, search=search.refuse()), eye)
        closed, step = step.vague, replace(step, vague=())
        if len(closed) == 2 and self.widenings < plan.WIDENINGS and search.step < plan.SPHERE_WIDEST:
            widened = replace(search, widest=plan.SPHERE_WIDEST, toward=1).widened()
            return Move(replace(step, search=widened, widenings=self.widenings + 1), eye)
        after = search.refuse()
        if len(closed) == 1 and not after.done and sphere_within(search.at + closed[0] * after.step):
            # Equal at a whole step one way, plainly worse the other: half a step toward the equal side is the middle.
            after = replace(after, at=search.at + closed[0] * after.step)
        return Move(replace(step, search=after), eye.to(eye.lens.with_sphere(after.at)))

    def _read(self, eye: EyeState) -> Move:
        """The line is known now: go on, or go back to where it was read before."""
        why, step = self.reading, replace(self, reading=Reading.NONE)
        if why is Reading.EQUAL:
            return replace(step, taken=0)._equal(eye)
        here, before = eye.line_here, self.from_line
        step = replace(step, taken=0, equal=0)
        if why is Reading.PROGRESS:
            if here and before:
                toward = 1 if eye.lens.sphere > self.from_sphere else -1
                worse = line_feet(here) > plan.WORSE_BY * line_feet(before)
                gained = line_feet(here) < line_feet(before)
                if worse or (toward < 0 and not gained):
                    return step._back(eye, toward)
            finer = min(step.search.step, max(_step_for(eye), plan.SPHERE_FINEST))
            return Move(replace(step, search=replace(step.search, step=finer)), eye)
        # The end of the coarse search: a poor line sends it out once more with a wide step.
        if not eye.blurred or not self.unproven:
            return Move(step, eye)
        # Only the wide step is looked at, unless it helps: the finer ones have been.
        wide = plan.SPHERE_STEP_VERY_POOR
        return Move(replace(step, search=Search(eye.lens.sphere, wide, 1, wide, wide), widened=True), eye)

    def _back(self, eye: EyeState, toward: int) -> Move:
        """What was taken bought no better line: back to the lens before it, and not that way again at this step."""
        lens = eye.lens.with_sphere(self.from_sphere)
        search = replace(self.search.rebased(self.from_sphere), toward=toward)
        if self.id == "sphere":
            return Move(replace(self, search=search.refuse()), eye.to(lens))
        # Near the focus it was the finest step that bought nothing, so no finer one is left to try that way; and the
        # line read through the lens before is known again.
        search = replace(search, step=plan.SPHERE_FINEST).refuse()
        return Move(replace(self, search=search), replace(eye, lens=lens, line=self.from_line, line_lens=lens))

    def _equal(self, eye: EyeState) -> Move:
        search = self.search
        if eye.blurred or eye.line_here is None:
            return self._refuse(eye, True)  # too small a step to show through this blur
        if search.toward < 0:
            return Move(replace(self, search=search.refuse()), eye)
        return replace(self, equal=self.equal + 1)._take(eye)

    def _equal_near_focus(self, eye: EyeState) -> Move:
        """Near the focus plus wins a tie; a second tie means the eye focuses through it: the check will tell.

        An eye too old to focus through anything sees a tie on both sides of the focus alike: the middle is taken.
        """
        if eye.age is not None and eye.age >= plan.NO_ACCOMMODATION_FROM:
            return self._refuse(eye, True)
        if self.search.toward < 0:
            return Move(replace(self, search=self.search.refuse()), eye)
        move = replace(self, equal=self.equal + 1)._take(eye)
        if self.equal + 1 < plan.EQUAL_RUN:
            return move
        ended = replace(self, search=replace(self.search, at=move.eye.lens.sphere, step=0))
        return replace(move, step=ended)

    def _take(self, eye: EyeState) -> Move:
        search = self.search
        first = self.taken == 0
        if self.widened and search.finest > plan.SPHERE_FINEST_FIRST:
            search = replace(search, finest=plan.SPHERE_FINEST_FIRST)  # the wide step helped: go on from there
        step = replace(
            self,
            search=search.taken(),
            vague=(),
            taken=self.taken + 1,
            from_sphere=search.at if first else self.from_sphere,
            from_line=(eye.line_here if first else self.from_line),
        )
        if step._due(eye):
            step = replace(step, reading=Reading.PROGRESS)
        flags: tuple[Flag, ...] = ()
        if not sphere_within(step.search.at + search.toward * plan.SPHERE_FINEST):
            flags = (Flag("dial_end", eye.eye, {"dial": "sphere", "at": step.search.at}),)
        return Move(step, eye.to(eye.lens.with_sphere(step.search.at)), flags)

    def _due(self, eye: EyeState) -> bool:
        """Whether the line should be read: plus on equal answers, or minus, has to show what it bought."""
        if self.id == "sphere" and self.equal >= plan.EQUAL_RUN:
            return True
        if eye.line_refused or self.search.at >= self.from_sphere:
            return False
        if self.id != "sphere":
            return self.taken >= plan.MINUS_RUN_FINE
        good = self.from_line is not None and line_feet(self.from_line) <= line_feet(plan.GOOD_LINE)
        return self.taken >= (1 if good else plan.MINUS_RUN)


def _step_for(eye: EyeState) -> int:
    """The step that shows through the blur the last line tells of."""
    line = eye.line
    if line is None:
        return plan.SPHERE_STEP_FAIR if eye.given else plan.SPHERE_STEP_POOR
    if line_feet(line) < line_feet(plan.POOR) or (eye.given and eye.line_lens is None):
        return plan.SPHERE_STEP_FAIR
    return plan.SPHERE_STEP_VERY_POOR if line_feet(line) >= line_feet(plan.VERY_POOR) else plan.SPHERE_STEP_POOR

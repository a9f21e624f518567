"""The over-minus check: add plus until no letter of the best line can be read, and count the clicks.

A correct sphere takes three quarter clicks (0.75 D). More: too much minus was in, and the sphere goes to three clicks
minus of the lens that made the line unreadable. Fewer: look for under-minus before going on (common practice,
no source). Three clicks go in at once; while the line stays readable the plus grows, and the count is then closed
in to one click. After that the minus is offered back a click at a time, never beyond what it was: it has to earn
its place by a plainly better picture and, beyond one click, by a better line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from ...optics.lens import CLICK
from .. import plan
from ..effects import Flag
from ..eye import EyeState, line_feet, sphere_within
from ..meanings import Heard, Meaning
from ..questions import AcuityQuestion, Choice, Legible, Question
from .acuity import read_through
from .base import EQUAL, Move


@dataclass(frozen=True)
class OverMinus:
    """The count, then the settling.

    base      the sphere the clicks are counted from (D/100), and `base_line` the best line read through it
    readable, unreadable   most clicks at which a letter was read, fewest at which none was
    settling  the minus is being offered back; `reading` asks for the line first
    """

    base: int
    line: str
    base_line: str | None
    readable: int = -1
    unreadable: int | None = None
    settling: bool = False
    reading: bool = False
    wanted: bool = False  # the stronger minus was preferred; the line decides
    done: bool = False

    id = "over_minus"

    @staticmethod
    def begin(eye: EyeState) -> OverMinus:
        # The best line the eye reads; 20/20 where it reads that or better.
        line = eye.line_here or plan.CHECK_LINE
        feet = line_feet(line)
        if feet <= line_feet(plan.CHECK_LINE_NEARLY):
            feet = line_feet(plan.CHECK_LINE)
        return OverMinus(eye.lens.sphere, f"20/{feet}", eye.line_here)

    def rebased(self, eye: EyeState) -> OverMinus:
        return OverMinus(eye.lens.sphere, self.line, eye.line_here)

    @property
    def _clicks(self) -> int | None:
        """Clicks to try next; None when the count is closed."""
        if self.unreadable is None:
            room = max(0, plan.SPHERE_HIGH - self.base) // CLICK  # clicks of plus the dial still has
            return next((min(n, room) for n in plan.CLICK_STEPS if min(n, room) > self.readable), None)
        if self.unreadable - self.readable <= 1:
            return None
        return (self.unreadable + self.readable) // 2 if self.readable >= 0 else self.unreadable - 1

    def ask(self, eye: EyeState) -> Question | None:
        if self.done:
            return None
        if self.reading:
            return AcuityQuestion(eye.eye, self.id, eye.lens)
        if self.settling:
            return Choice(eye.eye, self.id, eye.lens, eye.lens.with_sphere(eye.lens.sphere - CLICK))
        assert self._clicks is not None
        return Legible(eye.eye, self.id, eye.lens.with_sphere(self.base + self._clicks * CLICK), self.line)

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        if self.reading:
            return replace(self, reading=False)._weigh(read_through(eye, heard))
        if self.settling:
            fewer = eye.clicks is not None and eye.clicks < plan.CLICKS_EXPECTED
            if fewer and heard.meaning in EQUAL:  # the count asks for minus, and the pair does not speak against it
                return self._stronger(eye)
            if heard.meaning is not Meaning.SECOND:
                return self._end(eye)
            firm = eye.minus_refused == self.base
            if eye.clicks is not None and eye.clicks <= (plan.CLICKS_FIRM if firm else plan.CLICKS_WEIGHED):
                return self._stronger(eye)
            return Move(replace(self, reading=True), eye)
        clicks = self._clicks
        assert clicks is not None
        # "Can't tell" counts as unreadable: the check asks for a letter, and none was read.
        readable = heard.meaning is Meaning.YES
        step = replace(self, readable=clicks) if readable else replace(self, unreadable=clicks)
        following = step._clicks
        if following is None:
            return step._counted(eye)
        return Move(step, eye)

    def _counted(self, eye: EyeState) -> Move:
        if self.unreadable is None:
            flag = Flag("never_blurred", eye.eye, {"clicks": self.readable})
            return Move(replace(self, done=True), replace(eye, clicks=self.readable), (flag,))
        clicks = max(self.unreadable, 0)
        eye = replace(eye, clicks=clicks)
        if line_feet(self.line) >= line_feet(plan.CHECK_SAYS_LITTLE):
            return Move(replace(self, done=True), eye)  # the rule of three clicks is for eyes that see well
        settling = replace(self, settling=True)
        if clicks > plan.CLICKS_EXPECTED:
            sphere = self.base + (clicks - plan.CLICKS_EXPECTED) * CLICK
            return Move(settling, eye.to(eye.lens.with_sphere(sphere)))
        if clicks < plan.CLICKS_EXPECTED and sphere_within(self.base - CLICK):
            return Move(settling, eye)
        return Move(replace(self, done=True), eye)

    def _weigh(self, eye: EyeState) -> Move:
        """The stronger minus was preferred: it is given only where the line was better with it."""
        here, before = eye.line_here, self.base_line
        earned = here is not None and before is not None and line_feet(here) > line_feet(before)
        return self._stronger(eye) if earned else self._end(eye)

    def _stronger(self, eye: EyeState) -> Move:
        """One click of minus; offered again until the count is made up, and never beyond where the check began."""
        assert eye.clicks is not None
        least = max(plan.SPHERE_LOW, self.base - max(0, plan.CLICKS_EXPECTED - eye.clicks) * CLICK)
        stronger = eye.to(eye.lens.with_sphere(eye.lens.sphere - CLICK))
        return self._end(stronger) if stronger.lens.sphere <= least else Move(self, stronger)

    def _end(self, eye: EyeState) -> Move:
        flags: tuple[Flag, ...] = ()
        if eye.lens.sphere > self.base:
            flags = (Flag("over_minus", eye.eye, {"clicks": eye.clicks, "from": self.base, "to": eye.lens.sphere}),)
        return Move(replace(self, done=True), eye, flags)

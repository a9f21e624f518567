"""Balance of the two eyes by alternate occlusion: both fogged alike, covered in turn, plus to the clearer eye.

Fog by +0.75, a quarter of plus to the clearer eye until they are equally clear (clinical procedures handbook,
steps 34-40). Where no lens makes them equal, the dominant eye is left the clearer one.

"One" is the right eye behind its lens, "two" the left behind its own. The sphere found for an eye alone is not
given up for that lightly: the plus goes in only where that eye, alone, sees better with it, or sees the same and
had needed more than three clicks to lose its line. So a patient who judges each picture by its blur alone ends no
worse for having been balanced; and its line must be read as before, or the plus comes out again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from ...optics.lens import CLICK, Lens
from .. import plan
from ..both import BothMove, BothState
from ..effects import Flag
from ..eye import line_feet, sphere_within
from ..meanings import Heard, Meaning
from ..questions import AcuityQuestion, Choice, Eye
from .acuity import read_through
from .base import EQUAL


@dataclass(frozen=True)
class Balance:
    """`clicks` of plus beyond the fog, to the right eye above zero, to the left below.

    last      +1 where the right eye was the clearer one last time, -1 the left, 0 neither yet
    checking  the eye whose plus is being looked at alone
    reading   it has the plus, and its line is being read
    """

    clicks: int = 0
    last: int = 0
    checking: Eye | None = None
    reading: bool = False
    done: bool = False

    id = "balance"

    def _lens(self, both: BothState, eye: Eye, fog: int) -> Lens:
        own = self.clicks if eye is Eye.RIGHT else -self.clicks
        lens = both.of(eye).lens
        return lens.with_sphere(lens.sphere + fog + max(own, 0) * CLICK)

    def ask(self, both: BothState) -> Choice | AcuityQuestion | None:
        if self.done:
            return None
        if self.reading and self.checking is not None:
            return AcuityQuestion(self.checking, self.id, both.of(self.checking).lens)
        if self.checking is not None:
            return Choice(self.checking, self.id, both.of(self.checking).lens, self._lens(both, self.checking, 0))
        right, left = (self._lens(both, eye, plan.BALANCE_FOG) for eye in (Eye.RIGHT, Eye.LEFT))
        if not (sphere_within(right.sphere) and sphere_within(left.sphere)):
            return None
        return Choice(Eye.BOTH, self.id, right, left)

    def answer(self, both: BothState, heard: Heard) -> BothMove:
        if self.reading:
            return self._read(both, heard)
        if self.checking is not None:
            return self._checked(both, heard)
        if heard.meaning in EQUAL:
            return self._settle(both)
        way = 1 if heard.meaning is Meaning.FIRST else -1
        if self.last and way != self.last:
            return self._settle_unequal(both, way)
        if abs(self.clicks) == plan.BALANCE_CLICKS:
            side = Eye.RIGHT if way > 0 else Eye.LEFT
            flag = Flag("balance_disagrees", Eye.BOTH, {"eye": side, "clicks": plan.BALANCE_CLICKS})
            return BothMove(replace(self, done=True), both, (flag,))
        return BothMove(replace(self, clicks=self.clicks + way, last=way), both)

    def _settle_unequal(self, both: BothState, clearer: int) -> BothMove:
        """One click too few, or one too many: the dominant eye keeps the clearer picture; unknown, the fewer."""
        dominant = {Eye.RIGHT: 1, Eye.LEFT: -1}.get(both.dominant) if both.dominant is not None else None
        if dominant == clearer:
            return self._settle(both)
        return replace(self, clicks=self.clicks - self.last)._settle(both)

    def _settle(self, both: BothState) -> BothMove:
        if not self.clicks:
            return BothMove(replace(self, done=True), both)
        return BothMove(replace(self, checking=Eye.RIGHT if self.clicks > 0 else Eye.LEFT), both)

    def _checked(self, both: BothState, heard: Heard) -> BothMove:
        assert self.checking is not None
        eye = both.of(self.checking)
        room = eye.clicks is not None and eye.clicks > plan.CLICKS_EXPECTED
        if heard.meaning is Meaning.SECOND or (heard.meaning in EQUAL and room):
            return BothMove(replace(self, reading=True), both.to(self.checking, self._lens(both, self.checking, 0)))
        return BothMove(replace(self, done=True), both)

    def _read(self, both: BothState, heard: Heard) -> BothMove:
        """The plus stays if the line stays; the line before belongs to the lens before."""
        assert self.checking is not None
        before = both.of(self.checking)
        after = read_through(before, heard)
        lost = after.line_refused or (
            before.line is not None and after.line is not None and line_feet(after.line) > line_feet(before.line)
        )
        if lost and before.line_lens is not None:
            after = before.to(before.line_lens)
        return BothMove(replace(self, done=True), both.put(after))


@dataclass(frozen=True)
class AcuityBoth:
    """The line both eyes read together. The question carries the lens of the eye that sees better."""

    done: bool = False

    id = "acuity_both"

    def ask(self, both: BothState) -> AcuityQuestion | None:
        return None if self.done else AcuityQuestion(Eye.BOTH, self.id, both.right.lens)

    def answer(self, both: BothState, heard: Heard) -> BothMove:
        read = read_through(both.right, heard)
        line = None if read.line_refused else read.line
        return BothMove(replace(self, done=True), replace(both, acuity=line))

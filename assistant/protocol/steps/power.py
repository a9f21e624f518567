"""Power of the cylinder, in two steps.

`power`: half-dioptre steps while "two" comes at once; the first hesitation means the range is reached (common
practice). Half of every change goes into the sphere with the opposite sign, so the spherical equivalent holds.

`power_again`: the cross cylinder on the power - its minus mark on the axis, then flipped - shows the side, and
a quarter dioptre of the dial confirms it. The cross cylinder leaves the spherical equivalent alone, which a quarter of
cylinder on the dials cannot; the dial pair is what the patient will wear. "The same" by the cross cylinder ends the
step with the weaker cylinder: patients tend to take more than they need (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from ...optics.lens import CrossCylinder, Lens
from .. import plan
from ..effects import Flag
from ..eye import EyeState, on_the_dials, with_cylinder
from ..meanings import Heard, Meaning
from ..questions import Choice
from ..search import Search
from .base import EQUAL, Move


@dataclass(frozen=True)
class Power:
    """Half steps; the search runs over the strength of the minus cylinder, D/100 >= 0."""

    search: Search
    hedges: int = 0

    id = "power"

    @staticmethod
    def begin(eye: EyeState) -> Power:
        step = plan.POWER_STEP_POOR if eye.dull else plan.POWER_FIRST_STEP
        return Power(Search(-eye.lens.cylinder, step, 1, plan.POWER_FIRST_STEP, step))

    def rebased(self, eye: EyeState) -> Power:
        return replace(self, search=self.search.rebased(-eye.lens.cylinder))

    def _within(self, eye: EyeState) -> Search:
        """Past over proposals beyond the dials' ends; the sphere moves with the cylinder and has ends too."""
        search = self.search
        while not search.done and not (
            search.proposal >= 0 and on_the_dials(with_cylinder(eye.lens, -search.proposal))
        ):
            search = search.refuse()
        return search

    def ask(self, eye: EyeState) -> Choice | None:
        search = self._within(eye)
        if search.done:
            return None
        return Choice(eye.eye, self.id, eye.lens, with_cylinder(eye.lens, -search.proposal))

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        search = self._within(eye)
        # A tie goes to the weaker cylinder, whichever of the two it is.
        better = search.toward < 0 if heard.meaning in EQUAL else heard.meaning is Meaning.SECOND
        moved = search.taken() if better else search.refuse()
        hedges = self.hedges + (1 if better and heard.hedged else 0)
        if hedges >= plan.HESITATIONS_IN_RANGE:
            moved = replace(moved, step=0)  # the range is reached: the fine step goes on from here
        lens = with_cylinder(eye.lens, -moved.at)
        return Move(replace(self, search=moved, hedges=hedges), eye.to(lens), _at_end(eye, lens))


@dataclass(frozen=True)
class PowerAgain:
    """The cross cylinder's side, then a quarter by the dial, until one of them says no more.

    side   0: the cross cylinder is before the eye; +1 or -1: a quarter more or less cylinder is offered
    last   the side of the quarter last taken
    cross  the cross cylinder held, D/100, stronger where a pair looked the same; 0: by the acuity
    """

    side: int = 0
    last: int = 0
    cross: int = 0
    done: bool = False

    id = "power_again"

    def rebased(self, eye: EyeState) -> PowerAgain:
        return PowerAgain()

    def _offer(self, eye: EyeState) -> Lens:
        """A quarter more or less; twice that when the same side came up again."""
        step = plan.POWER_FINEST * (2 if self.side == self.last else 1)
        offered = with_cylinder(eye.lens, min(0, eye.lens.cylinder - self.side * step))
        if on_the_dials(offered):
            return offered
        return with_cylinder(eye.lens, eye.lens.cylinder - self.side * plan.POWER_FINEST)

    def ask(self, eye: EyeState) -> Choice | None:
        if self.done:
            return None
        if self.side:
            return Choice(eye.eye, self.id, eye.lens, self._offer(eye))
        on_axis = CrossCylinder(self.cross or eye.cross_power, eye.lens.axis)
        return Choice(eye.eye, self.id, eye.lens.with_cross(on_axis), eye.lens.with_cross(on_axis.flipped()))

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        if not self.side:
            if heard.meaning in EQUAL:
                stronger = 2 * (self.cross or eye.cross_power)
                if stronger <= eye.strongest_cross and self.last == 0:
                    return Move(replace(self, cross=stronger), eye)
                return Move(replace(self, done=True), eye)
            side = 1 if heard.meaning is Meaning.FIRST else -1
            offered = eye.lens.cylinder - side * plan.POWER_FINEST
            if side == -self.last or offered > 0 or not on_the_dials(with_cylinder(eye.lens, offered)):
                return Move(replace(self, done=True), eye)
            return Move(replace(self, side=side), eye)
        if heard.meaning is Meaning.FIRST:
            return Move(replace(self, done=True), eye)
        # Equal lenses on the dial: the cross cylinder, which sees finer, has the word.
        lens = self._offer(eye)
        return Move(replace(self, side=0, last=self.side), eye.to(lens), _at_end(eye, lens))


def _at_end(eye: EyeState, lens: Lens) -> tuple[Flag, ...]:
    if lens.cylinder != eye.lens.cylinder and lens.cylinder == plan.CYLINDER_LOW:
        return (Flag("dial_end", eye.eye, {"dial": "cylinder", "at": plan.CYLINDER_LOW}),)
    return ()

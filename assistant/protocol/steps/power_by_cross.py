"""Power of the cylinder by cross cylinder alone, for examiners who work that way.

Its minus mark stands on the axis, then it is flipped: the preferred side says more cylinder or less. Half-dioptre
steps, quarters after a reversal or a hesitation; equal ends it. Half of every change goes into the sphere with the
opposite sign, so the spherical equivalent holds (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from ...optics.lens import CrossCylinder
from .. import plan
from ..eye import EyeState, with_cylinder
from ..meanings import Heard, Meaning
from ..questions import Choice
from .base import EQUAL, Move


@dataclass(frozen=True)
class PowerByCross:
    """`step` is the next change in hundredths; `last` the way it last went, +1 for more cylinder, 0 none yet."""

    step: int = plan.POWER_FIRST_STEP
    last: int = 0
    done: bool = False

    id = "power"

    def rebased(self, eye: EyeState) -> PowerByCross:
        return PowerByCross()

    def ask(self, eye: EyeState) -> Choice | None:
        if self.done or not eye.lens.cylinder:
            return None
        on_axis = CrossCylinder(eye.cross_power, eye.lens.axis)
        return Choice(eye.eye, self.id, eye.lens.with_cross(on_axis), eye.lens.with_cross(on_axis.flipped()))

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        ended = replace(self, done=True)
        if heard.meaning in EQUAL:
            return Move(ended, eye)
        way = 1 if heard.meaning is Meaning.FIRST else -1
        turned = bool(self.last) and way != self.last
        if turned and self.step == plan.POWER_FINEST:
            # Between the two: the weaker cylinder, whichever of them it is.
            return Move(ended, eye if way > 0 else eye.to(with_cylinder(eye.lens, eye.lens.cylinder + self.step)))
        step = plan.POWER_FINEST if turned or heard.hedged else self.step
        cylinder = eye.lens.cylinder - way * step
        if not plan.CYLINDER_LOW <= cylinder <= 0:
            return Move(ended, eye)
        return Move(replace(self, step=step, last=way), eye.to(with_cylinder(eye.lens, cylinder)))

"""A cylinder that came down to nothing is looked at once more before it is dropped.

Without it, or with a quarter dioptre at the last axis: it stays away unless it is plainly better (patients tend
to take more cylinder than they need; common practice).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from .. import plan
from ..eye import EyeState, with_cylinder
from ..meanings import Heard, Meaning
from ..questions import Choice
from .base import Move


@dataclass(frozen=True)
class CylinderCheck:
    """`axis` is where the cylinder last stood, 1-180 degrees."""

    axis: int
    done: bool = False

    id = "cylinder_check"

    def rebased(self, eye: EyeState) -> CylinderCheck:
        return self

    def ask(self, eye: EyeState) -> Choice | None:
        if self.done or eye.lens.cylinder:
            return None
        return Choice(eye.eye, self.id, eye.lens, with_cylinder(eye.lens, -plan.POWER_FINEST, self.axis))

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        if heard.meaning is Meaning.SECOND and not heard.hedged:
            eye = eye.to(with_cylinder(eye.lens, -plan.POWER_FINEST, self.axis))
        return Move(replace(self, done=True), eye)

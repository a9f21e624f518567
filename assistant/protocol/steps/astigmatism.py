"""Is there astigmatism? Half a dioptre of cylinder at four meridians: without it, or with it (common practice).

The meridians are asked as two opposite pairs. A meridian preferred settles its pair; both pairs together give the
axis to start from: one pair alone its own meridian, two the one between them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from ...optics.lens import Lens, wrap_axis
from ...optics.power_vector import PowerVector
from ...optics.rounding import nearest_lens
from .. import plan
from ..eye import EyeState, with_cylinder
from ..meanings import Heard, Meaning
from ..questions import Choice
from .base import EQUAL, Move


@dataclass(frozen=True)
class Astigmatism:
    """`preferred` are the meridians chosen with the cylinder; `asked` counts through plan.TRIAL_MERIDIANS.

    equal   answers "the same" among them; when nearly all are, a stronger trial cylinder is shown: no difference
            seen is not the same as no astigmatism
    trial   the trial cylinder, D/100; 0: by the acuity
    """

    preferred: tuple[int, ...] = ()
    asked: int = 0
    equal: int = 0
    trial: int = 0

    id = "astigmatism"

    def rebased(self, eye: EyeState) -> Astigmatism:
        return Astigmatism()

    def _trial(self, eye: EyeState) -> int:
        return self.trial or (plan.TRIAL_CYLINDER_POOR if eye.blurred else plan.TRIAL_CYLINDER)

    def _with_trial(self, eye: EyeState, meridian: int) -> Lens:
        lens = eye.lens
        trial = self._trial(eye)
        if lens.cylinder == 0:
            return _to_the_end(with_cylinder(lens, trial, meridian))
        # A cylinder stands already (an eye sent back): the trial cylinder is added to it as vectors.
        return _to_the_end(nearest_lens(lens.vector.plus(PowerVector.of(-trial / 200, trial / 100, meridian))))

    def ask(self, eye: EyeState) -> Choice | None:
        if self.asked >= len(plan.TRIAL_MERIDIANS):
            return None
        return Choice(eye.eye, self.id, eye.lens, self._with_trial(eye, plan.TRIAL_MERIDIANS[self.asked]))

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        meridian = plan.TRIAL_MERIDIANS[self.asked]
        step = replace(self, asked=self.asked + 1, equal=self.equal + (heard.meaning in EQUAL))
        if heard.meaning is Meaning.SECOND:
            step = replace(step, preferred=(*self.preferred, meridian))
            if step.asked % 2 == 1:  # the opposite meridian can only be worse
                step = replace(step, asked=step.asked + 1)
        if step.asked < len(plan.TRIAL_MERIDIANS):
            return Move(step, eye)
        if not step.preferred:
            stronger = 2 * self._trial(eye)
            if step.equal >= plan.EQUAL_TRIALS and stronger >= plan.TRIAL_CYLINDER_MOST:
                return Move(Astigmatism(trial=stronger), eye)
            return Move(step, eye)
        return Move(step, eye.to(self._with_trial(eye, between(step.preferred))))


def _to_the_end(lens: Lens) -> Lens:
    """As far toward a lens as the dials go."""
    sphere = min(plan.SPHERE_HIGH, max(plan.SPHERE_LOW, lens.sphere))
    return Lens(sphere, max(plan.CYLINDER_LOW, lens.cylinder), lens.axis)


def between(meridians: tuple[int, ...]) -> int:
    """The axis in the middle of one or two preferred meridians, in doubled-angle space."""
    x = sum(math.cos(math.radians(2 * m)) for m in meridians)
    y = sum(math.sin(math.radians(2 * m)) for m in meridians)
    return wrap_axis(round(math.degrees(math.atan2(y, x)) / 2))

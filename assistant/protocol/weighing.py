"""All answers of an eye together: the place where an estimate from outside enters the exam.

The steps go by one answer at a time, so a single stray one leaves its mark. Once the cylinder is settled step by step,
every answer so far is weighed together, and the astigmatism they point to is set before the sphere is checked. The
estimate itself (`assistant.evidence`) needs arrays and is no part of the protocol: it comes in as a plain function.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from ..optics.lens import Lens
from ..optics.power_vector import PowerVector
from ..optics.rounding import nearest_lens
from . import plan
from .eye import EyeState, sphere_within
from .meanings import Heard
from .questions import Question

# The power vector that an eye's answers point to (dioptres), near the lens given; None: they say nothing.
# Arguments: the answers in order, the lens before the eye, the age in years or None.
Weigh = Callable[[Iterable[tuple[Question, Heard]], Lens, "int | None"], "PowerVector | None"]


def weighed(weigh: Weigh, answers: Iterable[tuple[Question, Heard]], eye: EyeState) -> Lens:
    """The lens with the astigmatism all answers together point to.

    The spherical equivalent is held, but for the half click that the dials cannot: that goes where the answers point.
    The lens stays as it is where they point hardly elsewhere, and within the dials' ends.
    """
    estimate = weigh(answers, eye.lens, eye.age)
    if estimate is None:
        return eye.lens
    now = eye.lens.vector
    apart = ((estimate.j0 - now.j0) ** 2 + (estimate.j45 - now.j45) ** 2) ** 0.5
    if not apart >= plan.WEIGHED_APART:
        return eye.lens
    half = plan.POWER_FINEST / 200
    lens = nearest_lens(PowerVector(now.m + min(half, max(-half, estimate.m - now.m)), estimate.j0, estimate.j45))
    if lens.cylinder == 0:
        lens = lens.with_axis(eye.lens.axis)
    reachable = sphere_within(lens.sphere) and lens.cylinder >= plan.CYLINDER_LOW
    return lens if reachable else eye.lens

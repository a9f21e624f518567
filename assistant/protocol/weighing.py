"""All answers of an eye together: the place where an estimate from outside enters the exam.

The steps go by one answer at a time, so a single stray one leaves its mark. Once the cylinder is settled step by step,
every answer so far is weighed together, and the astigmatism they point to is set before the sphere is checked. The
estimate itself (`assistant.evidence`) needs arrays and is no part of the protocol: it comes in as a plain function.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import Protocol

from ..optics.lens import Lens, LensError
from ..optics.power_vector import PowerVector
from ..optics.rounding import nearest_lens
from . import plan
from .eye import EyeState, on_the_dials
from .meanings import Heard
from .questions import Question


class Said(Protocol):
    """What the answers of an eye say of its refraction: a distribution of power vectors, dioptres."""

    @property
    def mean(self) -> PowerVector: ...

    @property
    def spread(self) -> PowerVector:
        """Standard deviations of its parts."""

    @property
    def bits(self) -> float:
        """Evidence that somebody looked at the lenses: how much better they foretell the answers than habit does."""

    @property
    def least_bits(self) -> float:
        """What the `bits` are not below: found in less time."""

    def off(self, lens: Lens) -> float:
        """Chance (0-1) that the eye needs a lens more than half a dioptre from this one (length of the vector)."""

    def most_telling(self, questions: Sequence[Question], worth: PowerVector) -> Question:
        """Of these questions the one whose answer is expected to leave the lens surest, the variances of its parts
        counted by what they are `worth`."""


# What an eye's answers say of it, near the lens given; None: nothing.
# Arguments: the answers in order, the lens before the eye, the age in years or None, the lens begun from or None, what
# the first of the answers said or None.
Weigh = Callable[[Iterable[tuple[Question, Heard]], Lens, "int | None", "Lens | None", "Said | None"], "Said | None"]


def weighed(said: Said | None, eye: EyeState, cylinder: bool = True) -> Lens:
    """The lens that all answers together point to; its cylinder stays where it is not looked for.

    The eye's own where they point hardly elsewhere, to nowhere, or to where the dials do not go.
    """
    if said is None:
        return eye.lens
    now, mean = eye.lens.vector, said.mean
    # Of two lenses as likely an eye that focuses gets the one with more plus: too much minus is what it hides.
    share = plan.PLUS_SHARE_OVER if eye.hides_minus(mean.m) else plan.PLUS_SHARE
    m = mean.m + (share * said.spread.m if plan.accommodates(eye.age) else 0.0)
    mean = PowerVector(m, mean.j0, mean.j45) if cylinder else PowerVector(m, now.j0, now.j45)
    apart = mean.minus(now).blur
    # A lens that is farther off than the answers leave open is nowhere they point, however open they leave it; and a
    # few answers that leave much open say little but what was believed beforehand.
    few = eye.choices < plan.CHOICES_TO_JUDGE
    known = said.spread.blur <= (plan.WEIGHED_FEW if few else max(plan.WEIGHED_OPEN, apart))
    if not plan.WEIGHED_APART <= apart < math.inf or not known:
        return eye.lens
    try:
        lens = nearest_lens(mean)
    except LensError:
        return eye.lens
    if lens.cylinder == 0:
        lens = lens.with_axis(eye.lens.axis)
    apart = lens.vector.minus(now).blur >= plan.WEIGHED_APART  # in whole clicks, too
    return lens if apart and on_the_dials(lens) else eye.lens

"""The refractor head: the sign of its cylinders, and where its dials end.

The exam thinks in minus cylinder, and so do its records. What an examiner reads on the dials, turns, and says
aloud goes through here, so that the same exam can be held at either kind of head.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from ..optics.lens import CLICK, Lens, LensError, wrap_axis
from ..optics.transpose import PlusCylinderForm, to_minus, to_plus
from . import plan

Shown = Lens | PlusCylinderForm
"""A lens as the dials show it."""


class CylinderSign(str, Enum):
    MINUS = "minus"
    PLUS = "plus"

    def __str__(self) -> str:
        return self.value


class InstrumentError(ValueError):
    """A head that cannot be, or a dial that does not go there; the message names the field and the rule."""


@dataclass(frozen=True)
class Instrument:
    """One refractor head. Dial ends in hundredths of a dioptre, `cylinder_most` without its sign."""

    cylinders: CylinderSign = CylinderSign.MINUS
    sphere_low: int = plan.SPHERE_LOW
    sphere_high: int = plan.SPHERE_HIGH
    cylinder_most: int = -plan.CYLINDER_LOW

    def __post_init__(self) -> None:
        if not plan.SPHERE_LOW <= self.sphere_low < 0 < self.sphere_high <= plan.SPHERE_HIGH:
            raise InstrumentError(
                f"sphere dial: {self.sphere_low / 100:+.2f} to {self.sphere_high / 100:+.2f} is not a range "
                "about zero within -20.00 to +20.00"
            )
        if not 0 < self.cylinder_most <= -plan.CYLINDER_LOW:
            raise InstrumentError(f"cylinder dial: {self.cylinder_most / 100:.2f} is not above 0 and at most 8.00")
        for name, end in (
            ("sphere_low", self.sphere_low),
            ("sphere_high", self.sphere_high),
            ("cylinder_most", self.cylinder_most),
        ):
            if end % CLICK:
                raise InstrumentError(f"{name}: {end / 100:+.2f} is not a quarter step")

    @property
    def plus(self) -> bool:
        return self.cylinders is CylinderSign.PLUS

    def shown(self, lens: Lens) -> Shown:
        """The lens as this head's dials show it."""
        return to_plus(lens) if self.plus else lens

    def reaches(self, lens: Lens) -> bool:
        """Whether the dials can show the lens."""
        sphere = lens.sphere + lens.cylinder if self.plus else lens.sphere
        return self.sphere_low <= sphere <= self.sphere_high and -lens.cylinder <= self.cylinder_most

    def turned(self, lens: Lens, dial: str, value: int) -> Lens:
        """The lens after one dial ("sphere", "cylinder", "axis") was set to `value`, the others left alone.

        Powers in hundredths with the head's own sign, the axis in degrees. Raises InstrumentError where the
        dial does not go there.
        """
        shown = self.shown(lens)
        sphere, cylinder, axis = shown.sphere, shown.cylinder, shown.axis
        if dial == "sphere":
            sphere = value
        elif dial == "cylinder":
            cylinder = value
        else:
            axis = wrap_axis(value)
        try:
            turned = to_minus(PlusCylinderForm(sphere, cylinder, axis)) if self.plus else Lens(sphere, cylinder, axis)
        except LensError as error:
            raise InstrumentError(str(error)) from None
        if not self.reaches(turned):
            raise InstrumentError(f"{dial}: {value} is beyond the dial")
        return turned


MINUS_HEAD = Instrument()

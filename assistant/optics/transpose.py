"""Minus and plus cylinder form of the same lens, and how the trade writes either."""

from __future__ import annotations

from dataclasses import dataclass

from .lens import CrossCylinder, Lens, LensError, check_whole, wrap_axis


@dataclass(frozen=True)
class PlusCylinderForm:
    """A lens as a plus-cylinder refractor head shows it: hundredths, `cylinder` >= 0, `axis` 1-180.

    Records keep `Lens`, in minus cylinder; this is for dials and for showing. Raises LensError, naming the
    field, for one whose minus form no `Lens` could be.
    """

    sphere: int
    cylinder: int = 0
    axis: int = 180
    cross: CrossCylinder | None = None

    def __post_init__(self) -> None:
        check_whole("sphere", self.sphere, "hundredths of a dioptre")
        check_whole("cylinder", self.cylinder, "hundredths of a dioptre")
        check_whole("axis", self.axis, "degrees")
        if not 0 <= self.cylinder <= 2000:
            raise LensError(f"cylinder: {self.cylinder / 100:+.2f} is outside 0.00 to +20.00 in plus-cylinder form")
        if not 1 <= self.axis <= 180:
            raise LensError(f"axis: {self.axis} is outside 1-180 degrees")
        if not -4000 <= self.sphere + self.cylinder <= 4000:
            raise LensError(
                f"sphere: {self.sphere / 100:+.2f} with cylinder {self.cylinder / 100:+.2f} is outside "
                "-40.00 to +40.00 dioptres along a meridian"
            )
        if self.cross is not None and not isinstance(self.cross, CrossCylinder):
            raise LensError(f"cross cylinder: {self.cross!r} is none")


def to_plus(lens: Lens) -> PlusCylinderForm:
    """The same lens in plus-cylinder form: sphere plus cylinder, cylinder's sign changed, axis by 90."""
    return PlusCylinderForm(lens.sphere + lens.cylinder, -lens.cylinder, wrap_axis(lens.axis + 90), lens.cross)


def to_minus(form: PlusCylinderForm) -> Lens:
    """The same lens in minus-cylinder form; `to_minus(to_plus(lens)) == lens`."""
    return Lens(form.sphere + form.cylinder, -form.cylinder, wrap_axis(form.axis + 90), form.cross)


def signed(power: int) -> str:
    """A power (hundredths) as the trade writes it: always signed, two places ("+0.50", "-2.25")."""
    return f"{power / 100:+.2f}"


def written(lens: Lens | PlusCylinderForm) -> str:
    """A lens as prescriptions write it: "-2.00 -1.00 x 090", "+1.50 +0.50 x 005", "-3.25", "plano".

    Every power signed, axis of three digits without a degree sign, a zero cylinder (and its axis) left off
    (National Federation of Opticianry Schools, OPT11 9a). A zero sphere is written "plano": a zero has no
    sign. A cross cylinder held before the eye is no part of what is written.
    """
    sphere = signed(lens.sphere) if lens.sphere else "plano"
    return f"{sphere} {signed(lens.cylinder)} x {lens.axis:03d}" if lens.cylinder else sphere

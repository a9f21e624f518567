"""The lens before an eye, as a refractor head's dials show it: sphere, minus cylinder, axis, cross cylinder.

Powers are whole hundredths of a dioptre inside, so that quarter clicks add up exactly; dioptres as floats
appear only at the edge and in power vectors. An invalid lens cannot be made: the constructors say which
field breaks which rule.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from .power_vector import PowerVector

CLICK = 25  # hundredths of a dioptre: the quarter-dioptre click of a refractor head's dials


class LensError(ValueError):
    """A lens that cannot exist; the message names the field and the rule it breaks."""


def hundredths(field: str, dioptres: float) -> int:
    """Dioptres as whole hundredths.

    Raises LensError when the value is not a finite number of whole hundredths of a dioptre.
    """
    if isinstance(dioptres, bool) or not isinstance(dioptres, (int, float)):
        raise LensError(f"{field}: {dioptres!r} is not a number of dioptres")
    if not -1000 < dioptres < 1000:  # also false for NaN and the infinities
        raise LensError(f"{field}: {dioptres!r} is not a power a lens can have")
    whole = round(dioptres * 100)
    if abs(dioptres * 100 - whole) > 1e-6:
        raise LensError(f"{field}: {dioptres!r} is finer than a hundredth of a dioptre")
    return whole


def check_whole(field: str, value: object, rule: str) -> None:
    """Raises LensError, naming the field and the rule, where the value is not a whole number."""
    if isinstance(value, bool) or not isinstance(value, int):
        raise LensError(f"{field}: {value!r} is not a whole number; {rule}")


def wrap_axis(degrees: int) -> int:
    """A meridian as an axis in 1-180 (ISO 8429; 180 rather than 0 is custom)."""
    return (degrees - 1) % 180 + 1


@dataclass(frozen=True)
class CrossCylinder:
    """A cross cylinder: `power` (hundredths, > 0) on one meridian, minus as much on the other.

    `minus_axis` (1-180) is the axis of its minus cylinder, the red mark: the lens +F / -2F x minus_axis.
    """

    power: int
    minus_axis: int

    def __post_init__(self) -> None:
        check_whole("cross cylinder power", self.power, "hundredths of a dioptre")
        check_whole("cross cylinder axis", self.minus_axis, "degrees")
        if self.power not in (12, 25, 37, 50, 75, 100):
            raise LensError(
                f"cross cylinder power: {self.power} hundredths is none of 0.12, 0.25, 0.37, 0.50, 0.75, 1.00"
            )
        if not 1 <= self.minus_axis <= 180:
            raise LensError(f"cross cylinder axis: {self.minus_axis} is outside 1-180 degrees")

    @cached_property
    def vector(self) -> PowerVector:
        """Its power vector: a point on a circle of radius F in the J0/J45 plane (W.F. Harris, 2007)."""
        return PowerVector.of(self.power / 100, -2 * self.power / 100, self.minus_axis)

    def flipped(self) -> CrossCylinder:
        """Turned over on its handle: plus and minus change places."""
        return CrossCylinder(self.power, wrap_axis(self.minus_axis + 90))


@dataclass(frozen=True)
class Lens:
    """What stands before an eye: `sphere`, `cylinder` (<= 0) in hundredths of a dioptre, `axis` 1-180.

    `Lens.of(-1.25, -0.5, 90)` makes one from dioptres. The axis dial always shows something, so an axis is
    kept also where the cylinder is zero. `cross` is a cross cylinder held before it, or None.
    """

    sphere: int
    cylinder: int = 0
    axis: int = 180
    cross: CrossCylinder | None = None

    def __post_init__(self) -> None:
        # Simulations make lenses by the million: one look at what is plainly right, reasons for the rest.
        sphere, cylinder, axis, cross = self.sphere, self.cylinder, self.axis, self.cross
        if not (
            type(sphere) is type(cylinder) is type(axis) is int
            and -4000 <= sphere <= 4000
            and -2000 <= cylinder <= 0
            and 1 <= axis <= 180
            and (cross is None or type(cross) is CrossCylinder)
        ):
            self._refuse()

    def _refuse(self) -> None:
        """Raises LensError for the rule that is broken."""
        check_whole("sphere", self.sphere, "hundredths of a dioptre")
        check_whole("cylinder", self.cylinder, "hundredths of a dioptre")
        check_whole("axis", self.axis, "degrees")
        if not -4000 <= self.sphere <= 4000:
            raise LensError(f"sphere: {self.sphere / 100:+.2f} is outside -40.00 to +40.00 dioptres")
        if self.cylinder > 0:
            raise LensError(f"cylinder: {self.cylinder / 100:+.2f} is plus; lenses are kept in minus cylinder")
        if self.cylinder < -2000:
            raise LensError(f"cylinder: {self.cylinder / 100:+.2f} is outside -20.00 to 0.00 dioptres")
        if not 1 <= self.axis <= 180:
            raise LensError(f"axis: {self.axis} is outside 1-180 degrees")
        if self.cross is not None and not isinstance(self.cross, CrossCylinder):
            raise LensError(f"cross cylinder: {self.cross!r} is neither a CrossCylinder nor None")

    @staticmethod
    def of(sphere: float, cylinder: float = 0.0, axis: int = 180, cross: CrossCylinder | None = None) -> Lens:
        """A lens from dioptres and degrees; raises LensError naming the field and the rule."""
        return Lens(hundredths("sphere", sphere), hundredths("cylinder", cylinder), axis, cross)

    @property
    def sphere_dioptres(self) -> float:
        return self.sphere / 100

    @property
    def cylinder_dioptres(self) -> float:
        return self.cylinder / 100

    @cached_property
    def vector(self) -> PowerVector:
        """Power vector of all that stands before the eye, the cross cylinder included (dioptres)."""
        own = PowerVector.of(self.sphere / 100, self.cylinder / 100, self.axis)
        return own if self.cross is None else own.plus(self.cross.vector)

    @property
    def spherical_equivalent(self) -> float:
        """M = S + C/2, in dioptres."""
        return (self.sphere + self.cylinder / 2) / 100

    def with_cross(self, cross: CrossCylinder | None) -> Lens:
        return Lens(self.sphere, self.cylinder, self.axis, cross)

    def with_sphere(self, sphere: int) -> Lens:
        return Lens(sphere, self.cylinder, self.axis, self.cross)

    def with_cylinder(self, cylinder: int) -> Lens:
        return Lens(self.sphere, cylinder, self.axis, self.cross)

    def with_axis(self, axis: int) -> Lens:
        """Turned to another axis; any whole number of degrees, brought into 1-180."""
        return Lens(self.sphere, self.cylinder, wrap_axis(axis), self.cross)

    def adjacent(self, sphere: int = 0, cylinder: int = 0, axis: int = 0) -> Lens:
        """The lens so many clicks of sphere, clicks of cylinder and degrees of axis away from this one.

        `lens.adjacent(sphere=-1)` is a quarter dioptre more minus; `lens.adjacent(sphere=1, cylinder=-2)`
        holds the spherical equivalent. Raises LensError where no such lens exists.
        """
        return Lens(
            self.sphere + sphere * CLICK,
            self.cylinder + cylinder * CLICK,
            wrap_axis(self.axis + axis),
            self.cross,
        )

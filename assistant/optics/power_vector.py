"""Power vectors: a sphero-cylinder as a point in three dimensions, where lenses add and distances mean blur.

Source: L.N. Thibos, W. Wheeler, D. Horner, "Power vectors: an application of Fourier analysis to the
description and statistical analysis of refractive error", Optom Vis Sci 1997;74:367-375.
"""

from __future__ import annotations

import math
from typing import NamedTuple


class PowerVector(NamedTuple):
    """A refraction as (M, J0, J45), all in dioptres.

    M is the spherical equivalent; J0 and J45 are the powers of the two cross cylinders (axes 180 and 45) that
    make up the astigmatism: M = S + C/2, J0 = -(C/2) cos 2a, J45 = -(C/2) sin 2a.
    """

    m: float
    j0: float
    j45: float

    @staticmethod
    def of(sphere: float, cylinder: float, axis: float) -> PowerVector:
        """The vector of a sphero-cylinder; powers in dioptres (either cylinder sign), axis in degrees."""
        doubled = math.radians(2 * axis)
        half = cylinder / 2
        return PowerVector(sphere + half, -half * math.cos(doubled), -half * math.sin(doubled))

    def plus(self, other: PowerVector) -> PowerVector:
        """The lens that results when both stand in contact (obliquely crossed cylinders included)."""
        return PowerVector(self.m + other.m, self.j0 + other.j0, self.j45 + other.j45)

    def minus(self, other: PowerVector) -> PowerVector:
        """What is left of this lens when the other is taken away."""
        return PowerVector(self.m - other.m, self.j0 - other.j0, self.j45 - other.j45)

    def along(self, meridian: float) -> float:
        """Power in dioptres along a meridian (degrees): S + C sin² of its angle from the axis."""
        doubled = math.radians(2 * meridian)
        return self.m + self.j0 * math.cos(doubled) + self.j45 * math.sin(doubled)

    @property
    def blur(self) -> float:
        """Length of the vector in dioptres: the blur strength of an eye with this error (Thibos 1997)."""
        return math.sqrt(self.m * self.m + self.j0 * self.j0 + self.j45 * self.j45)

    @property
    def astigmatism(self) -> float:
        """Length of the (J0, J45) part, dioptres: half the cylinder, unsigned."""
        return math.hypot(self.j0, self.j45)

    def sphero_cylinder(self) -> tuple[float, float, float]:
        """(sphere, minus cylinder, axis): dioptres, degrees in (0, 180]; no cylinder has axis 180."""
        half = self.astigmatism
        axis = math.degrees(math.atan2(self.j45, self.j0)) / 2 % 180 if half else 180.0
        return (self.m + half, -2 * half if half else 0.0, axis if axis > 0 else 180.0)

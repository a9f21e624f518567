"""Lenses put together, taken apart and averaged, and what a turned cylinder leaves behind.

All on power vectors, where obliquely crossed cylinders simply add (Thibos, Wheeler & Horner 1997).
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from .lens import check_whole
from .power_vector import PowerVector


def total(refractions: Iterable[PowerVector]) -> PowerVector:
    """The one lens that does what all of them in contact do; nothing at all is no power."""
    parts = tuple(refractions)
    return PowerVector(*(math.fsum(part[i] for part in parts) for i in range(3)))


def mean(refractions: Iterable[PowerVector]) -> PowerVector:
    """Mean refraction, by components: axes 5 and 175 average to 180, not to 90. ValueError for none."""
    parts = tuple(refractions)
    if not parts:
        raise ValueError("refractions: there is none to average")
    m, j0, j45 = total(parts)
    return PowerVector(m / len(parts), j0 / len(parts), j45 / len(parts))


def residual_cylinder(cylinder: float, turned: float) -> float:
    """Minus cylinder (dioptres) left by a correcting cylinder `turned` t degrees off: -2 |C| |sin t|.

    The sphere left is half of it with the opposite sign, so no spherical equivalent is left; the residual's
    axis stands 45 - t/2 degrees from the original axis (L. Williams, IACLE course module 3, 1993, appendix
    B).
    """
    return -2 * abs(cylinder) * abs(math.sin(math.radians(turned)))


# Axis tolerance in degrees by cylinder up to so many hundredths of a dioptre: ANSI Z80.1-2015.
_AXIS_TOLERANCES = ((25, 14), (50, 7), (75, 5), (150, 3))
_AXIS_TOLERANCE_ABOVE = 2


def axis_tolerance(cylinder: int) -> int:
    """Degrees the axis may be off for a cylinder in hundredths of a dioptre, either sign (ANSI Z80.1-2015).

    14, 7, 5, 3, 2 degrees for cylinder to 0.25, 0.50, 0.75, 1.50 and above: an axis error that costs about
    0.12 D, and so the smallest turn worth asking about. Raises LensError for anything but whole hundredths.
    """
    check_whole("cylinder", cylinder, "hundredths of a dioptre")
    for up_to, degrees in _AXIS_TOLERANCES:
        if abs(cylinder) <= up_to:
            return degrees
    return _AXIS_TOLERANCE_ABOVE

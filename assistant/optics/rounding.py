"""From a power vector to the lens the dials can show."""

from __future__ import annotations

import math

from .lens import CLICK, Lens, LensError, wrap_axis
from .power_vector import PowerVector

_TIE = 1e-9  # clicks: what is this near to a tie is one; floating-point sums miss it by less


def nearest_lens(refraction: PowerVector) -> Lens:
    """The refraction in quarter-dioptre clicks and whole degrees of axis.

    Cylinder to the nearest click, a tie to the smaller cylinder (patients take more than they need); the
    axis is the refraction's own, to the nearest degree, and 180 where the cylinder rounds to nothing. The
    sphere is then the click that brings the spherical equivalent nearest to M, a tie toward plus (away from
    over-minus). So |error of M| <= 0.125 D, |error of cylinder| <= 0.125 D, |error of axis| <= 0.5 degrees.

    Raises LensError where it is not finite or beyond what a lens can be.
    """
    if not math.isfinite(refraction.m + refraction.j0 + refraction.j45):
        raise LensError(f"refraction: {tuple(refraction)} is not finite")
    _, cylinder_dioptres, exact_axis = refraction.sphero_cylinder()
    clicks = math.ceil(-cylinder_dioptres * 100 / CLICK - 0.5 - _TIE)
    axis = wrap_axis(math.floor(exact_axis + 0.5)) if clicks else 180
    cylinder = -clicks * CLICK
    sphere = math.floor((refraction.m * 100 - cylinder / 2) / CLICK + 0.5 + _TIE) * CLICK
    return Lens(sphere, cylinder, axis)

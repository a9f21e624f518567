"""What a change of vertex distance does to a lens.

F' = F / (1 - dF) along each principal meridian, d the metres the lens moves toward the eye; the axis stays.
"""

from __future__ import annotations

from .power_vector import PowerVector

FURTHEST = 30.0  # mm before the cornea; refractor heads and frames stand at 10 to 16 mm, a contact lens at 0


class VertexError(ValueError):
    """A vertex distance, or a lens at it, that cannot be; the message names which."""


def effective_power(power: float, from_mm: float, to_mm: float) -> float:
    """Power (dioptres) that does at `to_mm` from the cornea what `power` does at `from_mm`.

    Along one meridian; 0 mm is the plane of the cornea. Raises VertexError where a distance is outside
    0-30 mm, or where the lens's focus falls within the move, so that no lens there can do the same.
    """
    for name, distance in (("from", from_mm), ("to", to_mm)):
        if not 0 <= distance <= FURTHEST:
            raise VertexError(f"vertex distance ({name}): {distance:g} mm is outside 0-{FURTHEST:g} mm")
    left = 1 - (from_mm - to_mm) / 1000 * power
    if not left > 0:
        raise VertexError(f"power: {power:+.2f} D cannot be moved from {from_mm:g} to {to_mm:g} mm")
    return power / left


def at_vertex(refraction: PowerVector, from_mm: float, to_mm: float) -> PowerVector:
    """The refraction at another vertex distance: both principal meridians moved, the axis kept.

    Raises VertexError as `effective_power` does.
    """
    half = refraction.astigmatism
    more = effective_power(refraction.m + half, from_mm, to_mm)
    less = effective_power(refraction.m - half, from_mm, to_mm)
    scale = (more - less) / (2 * half) if half > 0 else 0.0
    return PowerVector((more + less) / 2, refraction.j0 * scale, refraction.j45 * scale)

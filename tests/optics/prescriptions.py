"""Random prescriptions for property tests, and a second, independent way of adding them."""

from __future__ import annotations

import math

from hypothesis import strategies as st

from assistant.optics.lens import Lens
from assistant.optics.power_vector import PowerVector

Prescription = tuple[float, float, float]  # sphere, minus cylinder, axis; dioptres and degrees

prescriptions = st.tuples(st.floats(-20, 20), st.floats(-10, 0), st.floats(0, 180))
vectors = st.builds(PowerVector, st.floats(-20, 20), st.floats(-5, 5), st.floats(-5, 5))
quarter_lenses = st.builds(
    lambda sphere, cylinder, axis: Lens(sphere * 25, cylinder * 25, axis),
    st.integers(-80, 80),
    st.integers(-32, 0),
    st.integers(1, 180),
)


def close(a: PowerVector, b: PowerVector, within: float = 1e-9) -> bool:
    return a.minus(b).blur <= within


def olsen_sum(first: Prescription, second: Prescription) -> Prescription:
    """Two sphero-cylinders in contact by their cylinder vectors C0 = C cos 2a, C45 = C sin 2a.

    Source: T. Olsen, J Cataract Refract Surg (letter). Nothing of the project's own arithmetic is used.
    """
    (s1, c1, a1), (s2, c2, a2) = first, second
    c0 = c1 * math.cos(2 * math.radians(a1)) + c2 * math.cos(2 * math.radians(a2))
    c45 = c1 * math.sin(2 * math.radians(a1)) + c2 * math.sin(2 * math.radians(a2))
    cylinder = -math.sqrt(c0 * c0 + c45 * c45)
    axis = math.degrees(math.atan2(-c45, -c0)) / 2  # the minus cylinder's own axis
    return (s1 + s2 + (c1 + c2 - cylinder) / 2, cylinder, axis % 180)

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx

from assistant.optics.lens import CLICK, Lens, LensError
from assistant.optics.power_vector import PowerVector
from assistant.optics.rounding import nearest_lens

from .prescriptions import quarter_lenses, vectors


@given(quarter_lenses)
def test_what_the_dials_can_show_stays(lens: Lens) -> None:
    assert nearest_lens(lens.vector) == (lens if lens.cylinder else lens.with_axis(180))


@given(vectors)
def test_error_bounds(refraction: PowerVector) -> None:
    lens = nearest_lens(refraction)
    _, cylinder, axis = refraction.sphero_cylinder()
    assert lens.sphere % CLICK == lens.cylinder % CLICK == 0
    assert abs(lens.spherical_equivalent - refraction.m) <= 0.125 + 1e-9
    assert abs(lens.cylinder / 100 - cylinder) <= 0.125 + 1e-9
    if lens.cylinder:
        assert abs((lens.axis - axis + 90) % 180 - 90) <= 0.5 + 1e-9
    else:
        assert lens.axis == 180
    # the three bounds together: M, half the cylinder, and what half a degree leaves of the cylinder
    turned = abs(cylinder) * math.sin(math.radians(0.5))
    assert lens.vector.minus(refraction).blur <= math.hypot(0.125, 0.0625 + turned) + 1e-9


@given(vectors)
def test_no_other_sphere_is_nearer(refraction: PowerVector) -> None:
    lens = nearest_lens(refraction)

    def off(candidate: Lens) -> float:
        return abs(candidate.spherical_equivalent - refraction.m)

    assert all(off(lens) <= off(lens.adjacent(sphere=step)) + 1e-9 for step in (-1, 1))


@pytest.mark.parametrize(
    "refraction, lens",
    [
        (PowerVector(-1.125, 0, 0), Lens(-100)),  # ties toward plus
        (PowerVector(-1.125 - 1e-15, 0, 0), Lens(-100)),  # a tie but for floating-point noise
        (PowerVector(1.125, 0, 0), Lens(125)),
        (PowerVector(-1.126, 0, 0), Lens(-125)),
        (PowerVector.of(0, -0.125, 90), Lens(0)),  # a cylinder half-way to the first click is none
        (PowerVector.of(-1, -0.375, 90), Lens(-100, -25, 90)),  # a tie to the smaller cylinder
        (PowerVector.of(-1, -0.12, 30), Lens(-100)),  # SE -1.06 is nearer to -1.00 than to -1.25
        (PowerVector.of(-2, -0.61, 44.6), Lens(-200, -50, 45)),  # SE -2.305: -2.25 off 0.055
        (PowerVector.of(-2, -1, 179.7), Lens(-200, -100, 180)),
        (PowerVector.of(-2, -1, 0.4), Lens(-200, -100, 180)),  # never axis 0
        (PowerVector.of(-2, -1, 0.6), Lens(-200, -100, 1)),
        (PowerVector.of(0, 1, 90), Lens(100, -100, 180)),  # plus cylinder comes out as minus
    ],
)
def test_rounding_cases(refraction: PowerVector, lens: Lens) -> None:
    assert nearest_lens(refraction) == lens


@given(st.integers(-160, 159), st.integers(-16, 0), st.integers(1, 180))
def test_every_tie_of_the_sphere_goes_to_plus(half_clicks: int, cylinder_clicks: int, axis: int) -> None:
    """M half-way between two clicks, whatever floating point makes of the sum."""
    cylinder = cylinder_clicks * 25
    sphere = half_clicks * 25 + 12.5
    lens = nearest_lens(PowerVector.of(sphere / 100, cylinder / 100, axis))
    assert lens.cylinder == cylinder
    assert lens.sphere == approx(sphere + 12.5)


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_what_is_no_refraction_is_refused(bad: float) -> None:
    for vector in (PowerVector(bad, 0, 0), PowerVector(0, bad, 0), PowerVector(0, 0, bad)):
        with pytest.raises(LensError, match="not finite"):
            nearest_lens(vector)
    with pytest.raises(LensError, match="sphere"):
        nearest_lens(PowerVector(41, 0, 0))

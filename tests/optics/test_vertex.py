from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx

from assistant.optics.lens import Lens
from assistant.optics.power_vector import PowerVector
from assistant.optics.vertex import VertexError, at_vertex, effective_power

from .prescriptions import close, vectors


@pytest.mark.parametrize(
    "spectacle, cornea",
    [
        (5.00, 5.32),  # CLSA Eye Witness, spring 2011
        # general optics tables, 12 mm
        (-4, -3.82),
        (-8, -7.30),
        (-10, -8.93),
        (-12, -10.49),
        (-15, -12.71),
        (4, 4.20),
        (8, 8.85),
        (10, 11.36),
        (12, 14.02),
    ],
)
def test_published_powers_from_12_mm_to_the_cornea(spectacle: float, cornea: float) -> None:
    assert effective_power(spectacle, 12, 0) == approx(cornea, abs=0.005 + 1e-9)
    assert effective_power(cornea, 0, 12) == approx(spectacle, abs=0.01)


def test_each_principal_meridian_is_moved_on_its_own() -> None:
    moved = at_vertex(Lens(-400, -200, 180).vector, 12, 0).sphero_cylinder()
    assert moved == approx((-3.82, -1.78, 180), abs=0.005)  # computed: -4/1.048 and -6/1.072
    assert moved[:2] != approx((-3.83, -1.93), abs=0.02)  # a public page, wrong


distances = st.floats(0, 20)


@given(vectors, distances, distances)
def test_there_and_back(refraction: PowerVector, here: float, there: float) -> None:
    moved = at_vertex(refraction, here, there)
    assert close(at_vertex(moved, there, here), refraction)
    if refraction.astigmatism > 1e-3:  # else the axis means nothing
        sine = math.sin(math.radians(moved.sphero_cylinder()[2] - refraction.sphero_cylinder()[2]))
        assert sine == approx(0, abs=1e-6)


@given(vectors, distances, distances, distances)
def test_two_moves_are_one(refraction: PowerVector, a: float, b: float, c: float) -> None:
    assert close(at_vertex(at_vertex(refraction, a, b), b, c), at_vertex(refraction, a, c))


@given(st.floats(-20, 20), distances, distances)
def test_a_sphere_stays_a_sphere(power: float, here: float, there: float) -> None:
    moved = at_vertex(PowerVector(power, 0, 0), here, there)
    assert moved.m == approx(effective_power(power, here, there))
    assert moved.astigmatism == 0


def test_closer_to_the_eye_less_minus_and_more_plus_are_needed() -> None:
    assert effective_power(-10, 14, 12) > -10
    assert effective_power(10, 14, 12) > 10
    assert effective_power(7, 13, 13) == 7


@pytest.mark.parametrize("here, there, name", [(-1, 12, "from"), (12, 31, "to"), (math.nan, 12, "from")])
def test_distances_that_cannot_be(here: float, there: float, name: str) -> None:
    with pytest.raises(VertexError, match=rf"vertex distance \({name}\)"):
        effective_power(-4, here, there)


def test_a_focus_inside_the_move_is_refused() -> None:
    with pytest.raises(VertexError, match=r"power: \+60\.00 D cannot be moved from 20 to 0 mm"):
        effective_power(60, 20, 0)

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx

from assistant.optics.combine import total
from assistant.optics.lens import CrossCylinder, Lens
from assistant.optics.power_vector import PowerVector

from .prescriptions import Prescription, close, olsen_sum, prescriptions, vectors


def test_published_vectors_and_their_sum() -> None:
    # D. Gatinel, worked page on adding astigmatisms
    first = PowerVector.of(-2.00, -2.00, 180)
    assert first == approx((-3.00, 1.00, 0.00), abs=1e-12)
    result = first.plus(PowerVector.of(1.00, -1.00, 90))
    assert result == approx((-2.50, 0.50, 0.00), abs=1e-12)
    assert result.sphero_cylinder() == approx((-2.00, -1.00, 180))


@pytest.mark.parametrize(
    "off_axis, per_cent",
    # optician certification notes: power of a cylinder along a meridian so many degrees off its axis
    [(0, 0), (5, 1), (10, 3), (15, 7), (20, 12), (25, 18), (30, 25), (35, 33), (40, 41), (45, 50), (50, 59),
     (55, 67), (60, 75), (65, 82), (70, 88), (75, 93), (80, 97), (85, 99), (90, 100)],
)  # fmt: skip
@pytest.mark.parametrize("axis", [180, 20, 135])
def test_power_of_a_cylinder_along_a_meridian(off_axis: int, per_cent: int, axis: int) -> None:
    cylinder = PowerVector.of(0, -1, axis)
    for meridian in (axis + off_axis, axis - off_axis):
        assert -100 * cylinder.along(meridian) == approx(per_cent, abs=0.5)


def test_obliquely_crossed_trap() -> None:
    result = PowerVector.of(0, 2.00, 120).plus(PowerVector.of(0, -2.25, 30)).sphero_cylinder()
    assert result == approx((2.00, -4.25, 30))  # computed by hand: +2.00 x120 is +2.00 -2.00 x030
    assert result[1] != approx(-0.25, abs=0.1)  # a public answer, wrong


@given(prescriptions, prescriptions)
def test_sum_agrees_with_the_second_formula(first: Prescription, second: Prescription) -> None:
    # T. Olsen, J Cataract Refract Surg (letter)
    ours = PowerVector.of(*first).plus(PowerVector.of(*second))
    sphere, cylinder, axis = olsen_sum(first, second)
    assert ours.sphero_cylinder()[:2] == approx((sphere, cylinder), abs=1e-9)
    assert close(ours, PowerVector.of(sphere, cylinder, axis))


@given(prescriptions)
def test_there_and_back(prescription: Prescription) -> None:
    vector = PowerVector.of(*prescription)
    sphere, cylinder, axis = vector.sphero_cylinder()
    assert (sphere, cylinder) == approx(prescription[:2], abs=1e-9)
    assert cylinder <= 0
    assert 0 < axis <= 180
    assert close(PowerVector.of(sphere, cylinder, axis), vector)
    turn = abs(axis - prescription[2]) % 180
    assert -cylinder * math.sin(math.radians(turn)) == approx(0, abs=1e-9)  # the axis, as far as it matters


@given(vectors, vectors, vectors)
def test_sums_associate_and_commute(a: PowerVector, b: PowerVector, c: PowerVector) -> None:
    assert close(a.plus(b).plus(c), a.plus(b.plus(c)))
    assert a.plus(b) == b.plus(a)
    assert close(a.plus(b).minus(b), a)
    assert close(total([a, b, c]), a.plus(b).plus(c))


@given(vectors, st.floats(0, 360))
def test_meridians_hold_the_principal_powers(vector: PowerVector, meridian: float) -> None:
    sphere, cylinder, axis = vector.sphero_cylinder()
    assert vector.along(axis) == approx(sphere, abs=1e-9)
    assert vector.along(axis + 90) == approx(sphere + cylinder, abs=1e-9)
    assert sphere + cylinder - 1e-9 <= vector.along(meridian) <= sphere + 1e-9
    # S + C sin² of the angle from the axis
    off = math.radians(meridian - axis)
    assert vector.along(meridian) == approx(sphere + cylinder * math.sin(off) ** 2, abs=1e-9)


def test_no_cylinder_has_axis_180() -> None:
    for vector in (PowerVector(-1.0, 0.0, 0.0), PowerVector(-1.0, -0.0, -0.0)):
        assert vector.sphero_cylinder() == (-1.0, 0.0, 180.0)


@given(st.sampled_from((12, 25, 37, 50, 75, 100)), st.integers(1, 180), st.integers(-180, 180))
def test_a_cross_cylinder_is_a_point_on_a_circle(power: int, axis: int, turn: int) -> None:
    # W.F. Harris, S Afr Optom 2007;66:41-55
    cross = CrossCylinder(power, axis)
    vector = cross.vector
    assert vector.m == approx(0, abs=1e-12)
    assert vector.astigmatism == approx(power / 100)
    flipped = cross.flipped().vector
    assert close(flipped, PowerVector(0, -vector.j0, -vector.j45))
    assert cross.flipped().flipped() == cross
    turned = PowerVector.of(power / 100, -2 * power / 100, axis + turn)
    angle = math.atan2(turned.j45, turned.j0) - math.atan2(vector.j45, vector.j0)
    expected = math.radians(2 * turn)
    assert (math.cos(angle), math.sin(angle)) == approx((math.cos(expected), math.sin(expected)), abs=1e-9)


@given(st.integers(1, 180))
def test_straddling_cross_cylinder_only_turns_a_cylinder(axis: int) -> None:
    """45 degrees off the cylinder's axis it leaves the spherical equivalent, and both flips look alike."""
    lens = Lens(-100, -100, axis, CrossCylinder(25, (axis + 44) % 180 + 1))
    assert lens.cross is not None
    flipped = lens.with_cross(lens.cross.flipped())
    assert lens.vector.m == approx(-1.5)
    assert lens.vector.astigmatism == approx(flipped.vector.astigmatism)

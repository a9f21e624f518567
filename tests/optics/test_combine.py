from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx

from assistant.optics.combine import axis_tolerance, mean, residual_cylinder, total
from assistant.optics.lens import LensError
from assistant.optics.power_vector import PowerVector

from .prescriptions import close, vectors


@pytest.mark.parametrize(
    "cylinder, turned, sphere_left, cylinder_left",
    # L. Williams, IACLE course module 3, 1993, appendix B
    [(-2.00, 10, 0.35, -0.69), (-2.00, 30, 1.00, -2.00), (-3.00, 15, 0.78, -1.55)],
)
@pytest.mark.parametrize("axis", [180, 37, 90])
def test_a_turned_cylinder_leaves_the_published_residual(
    cylinder: float, turned: int, sphere_left: float, cylinder_left: float, axis: int
) -> None:
    need, stands = PowerVector.of(0, cylinder, axis), PowerVector.of(0, cylinder, axis + turned)
    sphere, left, left_axis = need.minus(stands).sphero_cylinder()
    assert (sphere, left) == approx((sphere_left, cylinder_left), abs=0.005)
    from_the_axis = abs((left_axis - axis + 90) % 180 - 90)
    assert from_the_axis == approx(45 - turned / 2)
    assert residual_cylinder(cylinder, turned) == approx(cylinder_left, abs=0.005)


@given(st.floats(-8, 0), st.floats(0, 180), st.floats(-90, 90))
def test_the_residual_relation_is_what_vectors_give(cylinder: float, axis: float, turned: float) -> None:
    left = PowerVector.of(0, cylinder, axis).minus(PowerVector.of(0, cylinder, axis + turned))
    assert left.m == approx(0, abs=1e-9)
    assert left.sphero_cylinder()[1] == approx(residual_cylinder(cylinder, turned), abs=1e-9)


def test_the_mean_of_axes_about_180_is_180() -> None:
    sphere, cylinder, axis = mean([PowerVector.of(-1, -1, 5), PowerVector.of(-1, -1, 175)]).sphero_cylinder()
    assert (sphere, cylinder) == approx((-1.01, -0.98), abs=0.005)  # computed: C cos 10 degrees
    assert math.sin(math.radians(axis)) == approx(0, abs=1e-9)  # 180, where averaging axes gives 90


@given(st.lists(vectors, min_size=1, max_size=6))
def test_a_mean_of_copies_and_of_any_order(refractions: list[PowerVector]) -> None:
    assert close(mean(refractions), mean(refractions[::-1]))
    assert close(mean([refractions[0]] * 5), refractions[0])
    middle = mean(refractions)
    assert total(r.minus(middle) for r in refractions).blur == approx(0, abs=1e-9)


def test_nothing_has_no_mean_and_no_power() -> None:
    with pytest.raises(ValueError, match="none to average"):
        mean([])
    assert total([]) == (0, 0, 0)


@pytest.mark.parametrize(
    "cylinder, degrees",
    # ANSI Z80.1-2015: 14/7/5/3/2 degrees for cylinder to 0.25/0.50/0.75/1.50/above
    [(0, 14), (-25, 14), (-37, 7), (-50, 7), (-75, 5), (-100, 3), (-150, 3), (-175, 2), (-800, 2), (75, 5)],
)
def test_axis_tolerances(cylinder: int, degrees: int) -> None:
    assert axis_tolerance(cylinder) == degrees


@pytest.mark.parametrize("cylinder", [25, 50, 75, 150])
def test_a_tolerance_costs_about_an_eighth_at_its_limit(cylinder: int) -> None:
    assert -residual_cylinder(cylinder / 100, axis_tolerance(cylinder)) == approx(0.14, abs=0.025)


def test_dioptres_are_refused_where_hundredths_are_meant() -> None:
    with pytest.raises(LensError, match=r"cylinder: -0\.5 is not a whole number"):
        axis_tolerance(-0.5)

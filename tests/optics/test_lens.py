from __future__ import annotations

import dataclasses
import math
from enum import IntEnum

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx

from assistant.optics.lens import CrossCylinder, Lens, LensError, hundredths, wrap_axis

from .prescriptions import close, quarter_lenses

CROSS = CrossCylinder(25, 45)


@pytest.mark.parametrize(
    "make, names",
    [
        (lambda: Lens(-4001), "sphere: -40.01 is outside"),
        (lambda: Lens(4001), "sphere: +40.01 is outside"),
        (lambda: Lens(0, 25), "cylinder: +0.25 is plus"),
        (lambda: Lens(0, -2001), "cylinder: -20.01 is outside"),
        (lambda: Lens(0, 0, 0), "axis: 0 is outside 1-180"),
        (lambda: Lens(0, 0, 181), "axis: 181 is outside 1-180"),
        (lambda: Lens(0.5), "sphere: 0.5 is not a whole number"),
        (lambda: Lens(0, -0.5), "cylinder: -0.5 is not a whole number"),
        (lambda: Lens(0, 0, 90.0), "axis: 90.0 is not a whole number"),
        (lambda: Lens(True), "sphere: True is not a whole number"),
        (lambda: Lens(0, 0, 90, "45"), "cross cylinder: '45' is neither"),
        (lambda: CrossCylinder(24, 90), "cross cylinder power: 24"),
        (lambda: CrossCylinder(25, 0), "cross cylinder axis: 0"),
        (lambda: CrossCylinder(25, 181), "cross cylinder axis: 181"),
        (lambda: CrossCylinder(25.0, 90), "cross cylinder power: 25.0"),
        (lambda: Lens.of(-1.126), "sphere: -1.126 is finer"),
        (lambda: Lens.of(0, -0.333), "cylinder: -0.333 is finer"),
        (lambda: Lens.of(math.nan), "sphere: nan is not a power"),
        (lambda: Lens.of(-math.inf), "sphere: -inf is not a power"),
        (lambda: Lens.of("1"), "sphere: '1' is not a number"),
        (lambda: Lens.of(True), "sphere: True is not a number"),
        (lambda: Lens(0, 0, 180).adjacent(cylinder=1), "cylinder: +0.25 is plus"),
        (lambda: Lens(-4000).adjacent(sphere=-1), "sphere: -40.25 is outside"),
        (lambda: Lens(0).with_cylinder(1), "cylinder: +0.01 is plus"),
        (lambda: Lens(0).with_sphere(9999), "sphere: +99.99"),
    ],
)
def test_an_invalid_lens_cannot_exist_and_the_error_names_field_and_rule(make, names) -> None:
    with pytest.raises(LensError) as refused:
        make()
    assert names in str(refused.value)


def test_a_lens_stays_what_it_is() -> None:
    lens = Lens(0, -50, 90, CROSS)
    with pytest.raises(dataclasses.FrozenInstanceError):
        lens.axis = 0
    assert lens == Lens(0, -50, 90, CrossCylinder(25, 45))
    assert hash(lens) == hash(Lens(0, -50, 90, CrossCylinder(25, 45)))


def test_the_ends_of_the_range_exist() -> None:
    for lens in (Lens(4000, 0, 1), Lens(-4000, -2000, 180)):
        assert lens == Lens.of(lens.sphere / 100, lens.cylinder / 100, lens.axis)


def test_integers_by_another_name_are_integers() -> None:
    class Axis(IntEnum):
        HORIZONTAL = 180

    assert Lens(-25, -25, Axis.HORIZONTAL) == Lens(-25, -25, 180)


def test_hundredths_forgive_floating_point_noise_only() -> None:
    assert hundredths("sphere", 0.1 + 0.2) == 30
    assert hundredths("sphere", -2) == -200
    with pytest.raises(LensError):
        hundredths("sphere", 0.125)


@given(st.integers(-4000, 4000), st.integers(-2000, 0), st.integers(1, 180))
def test_hundredths_there_and_back(sphere: int, cylinder: int, axis: int) -> None:
    lens = Lens(sphere, cylinder, axis)
    assert Lens.of(lens.sphere_dioptres, lens.cylinder_dioptres, axis) == lens
    assert lens.spherical_equivalent == approx(sphere / 100 + cylinder / 200, abs=1e-12)  # M = S + C/2
    assert lens.vector.m == approx(lens.spherical_equivalent, abs=1e-9)


@given(st.integers(-10_000, 10_000))
def test_axes_are_1_to_180(degrees: int) -> None:
    axis = wrap_axis(degrees)
    assert 1 <= axis <= 180
    assert (axis - degrees) % 180 == 0


def test_a_held_cross_cylinder_is_part_of_what_the_eye_sees() -> None:
    bare = Lens(-100, -50, 90)
    lens = bare.with_cross(CROSS)
    assert close(lens.vector.minus(bare.vector), CROSS.vector)
    assert lens.with_cross(None) == bare
    assert lens.spherical_equivalent == bare.spherical_equivalent


@given(quarter_lenses, st.integers(-4, 4), st.integers(-4, 4), st.integers(-200, 200))
def test_adjacent_turns_the_dials_and_back(lens: Lens, sphere: int, cylinder: int, turn: int) -> None:
    lens = lens.with_cross(CROSS)
    cylinder = min(cylinder, -lens.cylinder // 25)
    moved = lens.adjacent(sphere, cylinder, turn)
    assert moved.sphere - lens.sphere == 25 * sphere
    assert moved.cylinder - lens.cylinder == 25 * cylinder
    assert moved.cross is CROSS
    assert moved.adjacent(-sphere, -cylinder, -turn) == lens
    assert lens.adjacent() == lens
    assert lens.adjacent(axis=turn) == lens.with_axis(lens.axis + turn)


def test_half_a_cylinder_step_goes_into_the_sphere() -> None:
    # common practice: +0.25 sphere for -0.50 cylinder holds the spherical equivalent
    lens = Lens(-200, -50, 90)
    assert lens.adjacent(sphere=1, cylinder=-2) == Lens(-175, -100, 90)
    assert lens.adjacent(sphere=1, cylinder=-2).spherical_equivalent == lens.spherical_equivalent

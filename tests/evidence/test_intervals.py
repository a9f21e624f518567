"""Intervals of weighted power vectors against published quantiles and plain geometry."""

from __future__ import annotations

import math

import numpy as np
import pytest

from assistant.evidence.intervals import AxisInterval, Interval, Intervals, of_cloud, quantiles
from assistant.optics.power_vector import PowerVector

MANY = 60_000


def cloud(m: float, j0: float, j45: float, spread: float, level: float = 0.95) -> Intervals:
    chance = np.random.default_rng(1)
    parts = [at + spread * chance.standard_normal(MANY) for at in (m, j0, j45)]
    return of_cloud(*parts, np.full(MANY, 1 / MANY), level)


def test_normal_quantiles() -> None:
    """Phi(1.95996) = 0.975 (published tables)."""
    spans = cloud(-2.0, 1.0, 0.0, 0.1)
    for part, at in ((spans.m, -2.0), (spans.j0, 1.0), (spans.j45, 0.0)):
        assert part.low == pytest.approx(at - 0.195996, abs=0.004)
        assert part.high == pytest.approx(at + 0.195996, abs=0.004)
    # Sphere M + |J|: the spreads of M and of J along itself add as squares.
    assert spans.sphere.half == pytest.approx(0.195996 * math.sqrt(2), rel=0.03)
    assert spans.cylinder.half == pytest.approx(2 * 0.195996, rel=0.03)


def test_axis_interval_is_half_the_angle_of_the_vector() -> None:
    """Across the vector the angle is about spread / |J| radians, and the axis turns half as far (Thibos 1997)."""
    spans = cloud(0.0, 0.0, 1.0, 0.05)
    assert spans.axis.centre == pytest.approx(45, abs=0.3)
    assert spans.axis.half == pytest.approx(math.degrees(0.05 * 1.96) / 2, rel=0.05)
    assert not spans.axis.any and spans.cylinder_certain


def test_axis_interval_crosses_180() -> None:
    spans = cloud(0.0, 1.0, 0.0, 0.05)
    assert min(spans.axis.centre, 180 - spans.axis.centre) < 0.3
    assert spans.axis.holds(179.5) and spans.axis.holds(0.5) and not spans.axis.holds(90)


def test_no_astigmatism_is_said_to_be_possible() -> None:
    """Inside the 95 % ellipse of two dimensions, 5.99 in squared spreads (chi-square table)."""
    inside, outside = cloud(0.0, 0.1 * 2.3, 0.0, 0.1), cloud(0.0, 0.1 * 2.6, 0.0, 0.1)
    assert inside.cylinder.high == 0 and inside.axis.any
    assert outside.cylinder.high < 0 and not outside.axis.any


def test_wide_enough_for_a_sphere_that_has_no_cylinder() -> None:
    held = cloud(-1.0, 0.0, 0.0, 0.05).holds(PowerVector(-1.0, 0.0, 0.0))
    assert held["cylinder"] and held["axis"] and held["m"]


def test_weights_count_and_order_does_not() -> None:
    chance = np.random.default_rng(2)
    values, weights = chance.standard_normal(300), chance.random(300)
    weights /= weights.sum()
    order = chance.permutation(300)
    shares = (0.1, 0.5, 0.9)
    assert quantiles(values, weights, shares) == quantiles(values[order], weights[order], shares)
    heavy = np.where(values > 1, weights * 50, weights)
    assert quantiles(values, heavy / heavy.sum(), (0.5,))[0] > quantiles(values, weights, (0.5,))[0]


def test_an_interval_knows_what_it_holds() -> None:
    span = Interval(-1.0, 0.5)
    assert span.holds(-1.0) and span.holds(0.5) and not span.holds(0.51)
    assert (span.width, span.half) == (1.5, 0.75)
    assert AxisInterval(10, 15).holds(176) and not AxisInterval(10, 15).holds(174)
    assert AxisInterval(180, 90).any and AxisInterval(180, 90).holds(90)

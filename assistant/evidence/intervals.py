"""Intervals of a refraction: what its numbers may be, at a stated chance."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ..optics.lens import Lens
from ..optics.power_vector import PowerVector
from .model import Array


class Interval(NamedTuple):
    """From `low` to `high`, dioptres."""

    low: float
    high: float

    @property
    def width(self) -> float:
        return self.high - self.low

    @property
    def half(self) -> float:
        return self.width / 2

    def holds(self, value: float) -> bool:
        return self.low <= value <= self.high


class AxisInterval(NamedTuple):
    """Meridians within `half` degrees either way of `centre` (0 < centre <= 180); `half` 90: any axis will do."""

    centre: float
    half: float

    @property
    def any(self) -> bool:
        return self.half >= 90

    def holds(self, axis: float) -> bool:
        return abs((axis - self.centre + 90) % 180 - 90) <= self.half


@dataclass(frozen=True)
class Intervals:
    """Where the eye's true refraction lies with chance `level`, each number for itself."""

    level: float
    m: Interval
    j0: Interval
    j45: Interval
    sphere: Interval
    cylinder: Interval
    axis: AxisInterval

    @property
    def cylinder_certain(self) -> bool:
        """Whether there is astigmatism at all at this level."""
        return self.cylinder.high < 0

    def holds(self, truth: PowerVector) -> dict[str, bool]:
        """Which of the intervals hold a refraction; an axis is held where the truth has no cylinder."""
        sphere, cylinder, axis = truth.sphero_cylinder()
        return {
            "m": self.m.holds(truth.m),
            "j0": self.j0.holds(truth.j0),
            "j45": self.j45.holds(truth.j45),
            "sphere": self.sphere.holds(sphere),
            "cylinder": self.cylinder.holds(cylinder),
            "axis": cylinder == 0 or self.axis.holds(axis),
        }


def quantiles(values: Array, weights: Array, shares: tuple[float, ...]) -> tuple[float, ...]:
    """Values below which the shares of the weight lie, halves of neighbours' weight taken in between."""
    order = np.argsort(values)
    middle = np.cumsum(weights[order]) - weights[order] / 2
    return tuple(float(v) for v in np.interp(shares, middle, values[order]))


def of_cloud(m: Array, j0: Array, j45: Array, weights: Array, level: float) -> Intervals:
    """Intervals of weighted power vectors: equal tails, and the shortest arc for the axis."""
    tails = ((1 - level) / 2, (1 + level) / 2)
    half = np.hypot(j0, j45)
    if _none_possible(j0, j45, weights, level):
        strongest = quantiles(-2 * half, weights, (1 - level,))[0]
        cylinder, axis = Interval(strongest, 0.0), AxisInterval(180.0, 90.0)
    else:
        cylinder = Interval(*quantiles(-2 * half, weights, tails))
        axis = _arc(np.degrees(np.arctan2(j45, j0)) / 2, weights, level)
    return Intervals(
        level,
        Interval(*quantiles(m, weights, tails)),
        Interval(*quantiles(j0, weights, tails)),
        Interval(*quantiles(j45, weights, tails)),
        Interval(*quantiles(m + half, weights, tails)),
        cylinder,
        axis,
    )


def share_beyond(vectors: Array, weights: Array, lens: Lens, drawn_out: float, within: float) -> float:
    """The share of power vectors (3, n), drawn out from their mean by this factor, that is more than `within` dioptres
    from a lens (length of the vector)."""
    mean = (vectors @ weights)[:, None]
    apart = mean - np.array(lens.vector)[:, None] + drawn_out * (vectors - mean)
    return float(weights @ (np.einsum("ij,ij->j", apart, apart) > within * within))


def _none_possible(j0: Array, j45: Array, weights: Array, level: float) -> bool:
    """Whether no astigmatism at all lies within the ellipse of this level about the mean.

    The length of a vector is never below zero, so its own quantiles could not say so.
    """
    both = np.stack((j0, j45))
    mean = both @ weights
    apart = both - mean[:, None]
    covariance = (apart * weights) @ apart.T + 1e-9 * np.eye(2)
    distance = float(mean @ np.linalg.solve(covariance, mean))
    return distance <= -2 * math.log(1 - level)


def _arc(axes: Array, weights: Array, level: float) -> AxisInterval:
    """The shortest arc of meridians (degrees) that holds a share of the weight."""
    order = np.argsort(axes % 180)
    turned, share = (axes % 180)[order], weights[order]
    twice = np.concatenate((turned, turned + 180))
    sums = np.concatenate(([0.0], np.cumsum(np.concatenate((share, share)))))
    ends = np.searchsorted(sums, sums[: len(turned)] + level - 1e-12) - 1
    widths = twice[np.minimum(ends, len(twice) - 1)] - turned
    at = int(np.argmin(widths))
    centre = (turned[at] + widths[at] / 2) % 180
    return AxisInterval(float(centre) or 180.0, float(min(widths[at] / 2, 90.0)))

"""All answers of an eye at once: what a step of the exam can wait for.

The cloud (`cloud.py`) follows an exam answer by answer from a prior as wide as the dials. This is the short way, in
a few milliseconds: the most likely eye and person are climbed to from where the answers are likeliest along the
sphere, and points drawn around them, as wide as the posterior is there, are weighed by it (Laplace's approximation as
the proposal of importance sampling: L. Tierney, J.B. Kadane, J Am Stat Assoc 1986;81:82-86; reference from memory).
Same answers, same figures: the random numbers are seeded.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

import numpy as np

from ..optics.lens import Lens
from ..optics.power_vector import PowerVector
from ..protocol import plan
from ..protocol.questions import AcuityQuestion, Choice, Legible, Question
from .gain import most_telling
from .habit import Habit
from .model import (
    ANY_LETTER,
    BEST,
    FOCUS,
    J0,
    J45,
    LAPSE,
    MINUS,
    NEAR_J,
    NEAR_M,
    NEAR_SHARE,
    NUISANCES,
    POSITION,
    SAME,
    SAME_GROWTH,
    SCALE,
    THRESHOLD,
    WEBER,
    WIDE_J,
    WIDE_M,
    Answers,
    Array,
    M,
    Prior,
    Seen,
    Singles,
    answer_row,
)
from .pairs import Pair

POINTS: Final = 400
FREE: Final = (M, J0, J45, THRESHOLD, WEBER, SAME, SAME_GROWTH, LAPSE, POSITION, MINUS, SCALE, BEST, ANY_LETTER, FOCUS)
"""What is let vary. The rest moves the refraction little and stays at the middle of its prior, for speed."""
UNIT: Final = np.array([0.3 if row < 3 else 0.1 if row == BEST else NUISANCES[row - 3][2] for row in FREE])
"""Steps of the climb are of this size: D, and about a standard deviation of the prior."""
OVER_MINUSED: Final = 0.3  # D of minus too much that an eye that focuses is likely given to begin from (assumed, swept)
CROSSES: Final = ((0.0, 0.0), (1.2, 0.0), (-1.2, 0.0), (0.0, 1.2), (0.0, -1.2))  # D, astigmatisms climbed from
FOCUSING: Final = (-1.0, 1.0)  # normal scores: resting, focusing
CLIMBS: Final = 4  # from the likeliest of them,
FIRST_STEPS: Final = 3  # after so many steps
FAR_BELOW: Final = 8.0  # what is so far below the highest (natural logarithm) is left,
MOST_STEPS: Final = 10  # and the others go on
FARTHEST: Final = 3.0  # units a step may go
SHORTER: Final = 0.3  # of a step that led down
SHORTENED: Final = 3  # times at most
SAME_TOP: Final = 0.3  # units of the power vector within which two tops are one
ENOUGH: Final = 0.1  # gained by a step: less, and the top is reached
_PROBE: Final = 0.1  # units: for slopes and curvatures
_LEAST_CURVE: Final = 0.1  # a unit may be this wide at most: prior and climb stay in proportion
_DEGREES: Final = 5.0  # of freedom of the points: tails heavier than the posterior's
_WIDER: Final = 1.2  # and as much wider
EFFECTIVE: Final = 0.1  # share of points that counts; below, more are drawn about what they show,
ROUNDS: Final = 3  # at most so often
_FLAT: Final = 0.01  # units squared, least spread of those
_SEED: Final = 20170310


@dataclass(frozen=True)
class Estimate:
    """Posterior mean of the power vector and the standard deviations of its parts (dioptres).

    `theta` are the points it was taken from and `weights` theirs; `log_chance` the natural logarithm of the chance of
    the answers, which are `pairs`, near the lens `near`; `age` in years or None; `start` as given to `together`.
    """

    mean: PowerVector
    spread: PowerVector
    theta: Array = field(repr=False, compare=False)
    weights: Array = field(repr=False, compare=False)
    log_chance: float
    pairs: tuple[Pair, ...] = field(repr=False)
    near: Lens
    age: float | None = None
    start: Lens | None = None

    def off(self, lens: Lens, within: float = 0.5) -> float:
        """Chance that the eye needs a lens farther than `within` dioptres from this one (length of the vector)."""
        v, theta = lens.vector, self.theta
        apart = (theta[M] - v.m) ** 2 + (theta[J0] - v.j0) ** 2 + (theta[J45] - v.j45) ** 2
        return float(self.weights @ (apart > within * within))

    def most_telling(self, questions: Sequence[Question]) -> Question:
        """The question whose answer is expected to tell most of the eye; the first of equals."""
        chosen = np.random.default_rng(_SEED).choice(len(self.weights), POINTS, p=self.weights)
        return most_telling(questions, Seen(self.theta[:, chosen], self.age))

    @cached_property
    def bits(self) -> float:
        """Evidence, in bits, that somebody looked at the lenses: by how much choices and letters are better foretold
        by the lenses, the lines read being known, than by the habit of giving this answer after that one."""
        habit, total = Habit(), 0.0
        for question, heard in self.pairs:
            if answer_row(question, heard) is not None and isinstance(question, (Choice, Legible)):
                total -= habit.log2_chance(question.form, heard)
        lines = tuple(pair for pair in self.pairs if isinstance(pair[0], AcuityQuestion))
        read = _rows(lines)
        known = 0.0
        if read.readings.shape[1]:
            known = _estimate(lines, read, self.near, self.age, self.start).log_chance
        return total + (self.log_chance - known) / math.log(2)


def together(
    pairs: Iterable[Pair], near: Lens, age: float | None = None, start: Lens | None = None
) -> Estimate | None:
    """What these answers say of the eye, `near` being the lens the exam has come to and `start` the one it was given to
    begin from, or None; None without choices."""
    pairs = tuple(pairs)
    answers = _rows(pairs)
    return _estimate(pairs, answers, near, age, start) if answers.choices.shape[1] else None


def _estimate(
    pairs: tuple[Pair, ...], answers: Answers, near: Lens, age: float | None, start: Lens | None
) -> Estimate:
    prior, at = Prior(None, age), near.vector
    given = None if start is None else start.vector
    if given is not None and plan.focuses(age):
        given = PowerVector(given.m + OVER_MINUSED, given.j0, given.j45)
    middle = prior.middle()
    middle[:3] = at
    middle[BEST] = max(middle[BEST], _best_read(answers))

    def parts(free: Array) -> tuple[Array, Singles]:
        theta = np.repeat(middle[:, None], free.shape[1], axis=1)
        theta[_ROWS] += free * UNIT[:, None]
        return _log_vector(theta, given) + prior.log_person(theta), Seen(theta, age).log_each(answers)

    def density(free: Array) -> Array:
        prior_part, each = parts(free)
        return np.asarray(prior_part + each.sum(axis=0, dtype=np.float64))

    tops = _climbed(parts, _starts(density, answers, at))
    points, log_weights = _drawn(density, tops)
    weights = _normal(log_weights)
    theta = np.repeat(middle[:, None], points.shape[1], axis=1)
    theta[_ROWS] += points * UNIT[:, None]
    mean = theta[:3] @ weights
    spread = np.sqrt(np.maximum((theta[:3] ** 2) @ weights - mean**2, 0))
    return Estimate(
        PowerVector(float(mean[M]), float(mean[J0]), float(mean[J45])),
        PowerVector(float(spread[M]), float(spread[J0]), float(spread[J45])),
        theta,
        weights,
        float(np.logaddexp.reduce(log_weights) - np.log(len(log_weights))),
        pairs,
        near,
        age,
        start,
    )


def _log_vector(theta: Array, start: PowerVector | None) -> Array:
    """Logarithm of the prior density of the power vector, near a start most likely.

    Smooth where there is no astigmatism, as it is climbed on: the cloud's own prior, even in the length of the
    astigmatism, has a spike there.
    """
    m, j0, j45 = theta[:3]
    wide = -2 * np.log1p((m / WIDE_M) ** 2 / 3) - 2.5 * np.log1p((j0 * j0 + j45 * j45) / WIDE_J**2 / 3)
    if start is None:
        return np.asarray(wide + _LOG_SHARE)
    parts = ((m - start.m, NEAR_M), (j0 - start.j0, NEAR_J), (j45 - start.j45, NEAR_J))
    near = sum((-2 * np.log1p((off / width) ** 2 / 3) for off, width in parts), _LOG_NEAR + np.zeros_like(m))
    return np.asarray(np.logaddexp(wide + math.log(1 - NEAR_SHARE), near + math.log(NEAR_SHARE)) + _LOG_SHARE)


# What the prior density lacks to be one of the units climbed in: Student's t of three degrees of freedom for M and for
# the astigmatism, normal for the rest but the best acuity, which comes with its own.
_LOG_SHARE: Final = float(
    math.log(2 / (math.pi * math.sqrt(3) * WIDE_M))
    - math.log(2 * math.pi * WIDE_J**2)
    - 0.5 * math.log(2 * math.pi) * (len(FREE) - 4)
    + np.log(UNIT[[0, 1, 2, FREE.index(BEST)]]).sum()
)


# What the density near a start has beyond that of the wide one.
_LOG_NEAR: Final = float(
    2 * math.log(2 / (math.pi * math.sqrt(3) * NEAR_J))
    + math.log(2 * math.pi * WIDE_J**2 * WIDE_M / NEAR_M)
)


def _best_read(answers: Answers) -> float:
    """The best line read, logMAR, less half a line; far below any acuity where none was."""
    read = answers.readings[4, :, 0]
    return float(read.min()) - 0.05 if len(read) else -1.0


_ROWS: Final = np.array(FREE)
_SIZE: Final = len(FREE)
_I, _J = np.triu_indices(_SIZE)
_PROBES: Final = np.concatenate(
    (np.zeros((_SIZE, 1)), np.eye(_SIZE), -np.eye(_SIZE), np.eye(_SIZE)[:, _I] + np.eye(_SIZE)[:, _J]), axis=1
) * _PROBE

_SHORT: Final = _PROBES[:, : 1 + 2 * _SIZE]

Density = Callable[[Array], Array]
# Log prior and log chance of each answer of points.
Parts = Callable[[Array], tuple[Array, Singles]]


@dataclass(frozen=True)
class _Top:
    """A place climbed to, with the eigenvectors (columns) and -values (above zero) of the curvature there."""

    at: Array
    log_density: float
    vectors: Array
    curves: Array

    @staticmethod
    def seen(at: Array, values: Array) -> _Top:
        """From the log density at the probes about a place."""
        here, plus, minus = values[0], values[1 : 1 + _SIZE], values[1 + _SIZE : 1 + 2 * _SIZE]
        curve = np.empty((_SIZE, _SIZE))
        curve[_I, _J] = curve[_J, _I] = (plus[_I] + plus[_J] - here - values[1 + 2 * _SIZE :]) / _PROBE**2
        np.fill_diagonal(curve, (2 * here - plus - minus) / _PROBE**2)
        curves, vectors = np.linalg.eigh(curve)
        return _Top(at, float(here), vectors, np.maximum(np.abs(curves), _LEAST_CURVE))


def _starts(density: Density, answers: Answers, at: PowerVector) -> list[Array]:
    """The likeliest places of a net over all that was shown, each far from the others."""
    shown = np.concatenate([answers.choices[0], answers.choices[4], answers.lines[0], answers.readings[0]])
    spheres = np.union1d(np.arange(shown.min() - 1, shown.max() + 1.1, 1.0), at.m + np.arange(-1.0, 1.1, 0.5))
    crosses = [(at.j0, at.j45), *CROSSES]
    net = [(m - at.m, j0 - at.j0, j45 - at.j45, z) for j0, j45 in crosses for z in FOCUSING for m in spheres]
    starts = np.zeros((_SIZE, len(net)))
    starts[[0, 1, 2, FREE.index(FOCUS)]] = np.array(net).T
    starts[:3] /= UNIT[:3, None]
    values = density(starts)
    chosen: list[Array] = []
    for index in np.argsort(-values):
        start = starts[:, index]
        if all(np.abs(start[:3] - other[:3]).max() * UNIT[0] > 0.9 for other in chosen):
            chosen.append(start)
        if len(chosen) == CLIMBS:
            break
    return chosen


def _climbed(parts: Parts, starts: list[Array]) -> list[_Top]:
    """The tops reached from these starts, all at once: one look at the density costs little more for many places than
    for one. The slopes of the single answers stand for the curvature on the way (E.K. Berndt, B.H. Hall, R.E. Hall,
    J.A. Hausman, Ann Econ Soc Meas 1974;3:653-665; reference from memory); at a top it is looked at itself."""
    tried = np.array(starts)
    at, ahead, shortened = tried.copy(), np.zeros_like(tried), np.zeros(len(tried), int)
    heights, going = np.full(len(tried), -np.inf), np.arange(len(tried))
    for step in range(MOST_STEPS):
        prior, each = _looked(parts, tried[going], _SHORT)
        values = prior[:, 0] + each[:, :, 0].sum(axis=0)
        up = values > heights[going]
        gained, better = values - heights[going], going[up]
        if len(better):
            at[better], heights[better], shortened[better] = tried[better], values[up], 0
            ahead[better] = _steps(prior[up], each[:, up])
        shortened[going[~up]] += 1
        tried[going] = at[going] + ahead[going] * (SHORTER ** shortened[going])[:, None]
        going = going[np.where(up, gained >= ENOUGH, shortened[going] <= SHORTENED)]
        if step + 1 >= FIRST_STEPS:
            going = going[heights[going] > heights.max() - FAR_BELOW]
        if not len(going):
            break
    high = heights > heights.max() - FAR_BELOW
    reached = _apart(at[high], heights[high])
    prior, each = _looked(parts, reached, _PROBES)
    return [_Top.seen(*place) for place in zip(reached, prior + each.sum(axis=0), strict=True)]


def _looked(parts: Parts, places: Array, probes: Array) -> tuple[Array, Array]:
    """Log prior (places, probes) and log chances of the answers (n, places, probes) about places (places, size)."""
    prior, each = parts((places[:, :, None] + probes).transpose(1, 0, 2).reshape(_SIZE, -1))
    return prior.reshape(len(places), -1), each.reshape(len(each), len(places), -1).astype(np.float64)


def _steps(prior: Array, each: Array) -> Array:
    """The next steps (places, size) by what was seen at the short probes."""
    higher, lower = slice(1, 1 + _SIZE), slice(1 + _SIZE, 1 + 2 * _SIZE)
    slopes = (each[:, :, higher] - each[:, :, lower]).transpose(1, 0, 2) / (2 * _PROBE)
    slope = slopes.sum(axis=1) + (prior[:, higher] - prior[:, lower]) / (2 * _PROBE)
    bend = (2 * prior[:, :1] - prior[:, higher] - prior[:, lower]) / _PROBE**2
    curve = slopes.transpose(0, 2, 1) @ slopes
    curve[:, range(_SIZE), range(_SIZE)] += np.maximum(bend, _LEAST_CURVE)
    ahead = np.linalg.solve(curve, slope[:, :, None])[:, :, 0]
    return np.asarray(ahead * np.minimum(1.0, FARTHEST / np.maximum(np.abs(ahead).max(axis=1), 1e-9))[:, None])


def _apart(places: Array, heights: Array) -> Array:
    """Without those that came to where a higher one is."""
    kept: list[Array] = []
    for place in places[np.argsort(-heights)]:
        if all(np.abs(place[:3] - other[:3]).max() > SAME_TOP for other in kept):
            kept.append(place)
    return np.array(kept)


@dataclass(frozen=True)
class _Bell:
    """Student's t about a place: points are drawn from it, and its density is known."""

    centre: Array
    root: Array  # (size, size)
    back: Array  # its inverse
    log_size: float  # logarithm of its determinant

    @staticmethod
    def on(top: _Top) -> _Bell:
        widths = _WIDER / np.sqrt(top.curves)
        return _Bell(top.at, top.vectors * widths, (top.vectors / widths).T, float(np.log(widths).sum()))

    @staticmethod
    def about(points: Array, weights: Array) -> _Bell:
        centre = points @ weights
        apart = points - centre[:, None]
        root = np.linalg.cholesky((apart * weights) @ apart.T + _FLAT * np.eye(_SIZE))
        return _Bell(centre, root, np.linalg.inv(root), float(np.log(np.diag(root)).sum()))

    def draw(self, chance: np.random.Generator, count: int) -> Array:
        """(size, count) points."""
        stretch = np.sqrt(_DEGREES / chance.chisquare(_DEGREES, count))
        return np.asarray(self.centre[:, None] + self.root @ (chance.standard_normal((_SIZE, count)) * stretch))

    def log_density(self, points: Array) -> Array:
        apart = self.back @ (points - self.centre[:, None])
        far = np.einsum("ij,ij->j", apart, apart)
        return np.asarray(_LOG_HEAVY - self.log_size - 0.5 * (_DEGREES + _SIZE) * np.log1p(far / _DEGREES))


def _drawn(density: Density, tops: list[_Top]) -> tuple[Array, Array]:
    """Points about the tops, and the logarithms of their weights."""
    chance = np.random.default_rng([_SEED, _SIZE])
    volumes = np.array([top.log_density - 0.5 * np.log(top.curves).sum() for top in tops])
    shares = 0.9 * _normal(volumes) + 0.1 / len(tops)
    bells = [_Bell.on(top) for top in tops]
    counts = [max(1, round(share * POINTS)) for share in shares]
    points = np.concatenate([bell.draw(chance, count) for bell, count in zip(bells, counts, strict=True)], axis=1)
    log_density = density(points)
    chances = [bell.log_density(points) for bell in bells]
    for left in range(ROUNDS, -1, -1):
        shares = np.log(np.array(counts) / sum(counts))[:, None]
        log_weights = log_density - np.logaddexp.reduce(np.array(chances) + shares)
        weights = _normal(log_weights)
        if not left or 1 / (weights @ weights) >= EFFECTIVE * POINTS:
            break
        # Not the shape that was thought: points about what these show, weighed together with them.
        bell = _Bell.about(points, _normal(0.5 * log_weights))
        more = bell.draw(chance, POINTS // 2)
        chances = [np.concatenate((log, old.log_density(more))) for log, old in zip(chances, bells, strict=True)]
        points = np.concatenate((points, more), axis=1)
        chances.append(bell.log_density(points))
        bells, counts = [*bells, bell], [*counts, POINTS // 2]
        log_density = np.concatenate((log_density, density(more)))
    return points, log_weights


_LOG_HEAVY: Final = (
    math.lgamma((_DEGREES + _SIZE) / 2) - math.lgamma(_DEGREES / 2) - _SIZE / 2 * math.log(_DEGREES * math.pi)
)


def _rows(pairs: Iterable[Pair]) -> Answers:
    return Answers.of(row for question, heard in pairs if (row := answer_row(question, heard)) is not None)


def _normal(log_weights: Array) -> Array:
    weights = np.exp(log_weights - log_weights.max())
    return np.asarray(weights / weights.sum())


def weigh(
    pairs: Iterable[Pair], near: Lens, age: float | None = None, start: Lens | None = None
) -> Estimate | None:
    """What `together` finds, in the form the exam takes it (`assistant.protocol.weighing.Weigh`)."""
    return together(pairs, near, age, start)

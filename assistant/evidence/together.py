"""All answers of an eye at once: what a step of the exam can wait for.

The cloud (`cloud.py`) follows an exam answer by answer from a prior as wide as the dials. This is the short way, in
a few milliseconds: the most likely eye and person are climbed to from where the answers are likeliest along the
sphere, and points drawn around them, as wide as the posterior is there, are weighed by it (Laplace's approximation as
the proposal of importance sampling: L. Tierney, J.B. Kadane, J Am Stat Assoc 1986;81:82-86; reference from memory).
After more answers the points are weighed by those; where too few then count, others are drawn about them and weighed by
all answers (a population Monte Carlo step: O. Cappé and others, J Comput Graph Stat 2004;13:907-929; reference from
memory). Same answers weighed at the same places, same figures: the random numbers are seeded.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import Final

import numpy as np

from ..optics.lens import Lens
from ..optics.power_vector import PowerVector
from ..protocol import plan
from ..protocol.questions import AcuityQuestion, Choice, Legible, Question
from .gain import most_telling
from .habit import Habit
from .intervals import share_beyond
from .model import (
    ANY_LETTER,
    BEST,
    EXPONENT,
    FOCUS,
    J0,
    J45,
    LAPSE,
    LETTERS,
    MINUS,
    NEAR_J,
    NEAR_M,
    NEAR_SHARE,
    NUISANCES,
    POSITION,
    SAME,
    SAME_GROWTH,
    SCALE,
    SIZE,
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
    log_best,
)
from .pairs import Pair

POINTS: Final = 900
MANY_POINTS: Final = 4000  # where the answers wander and the lens is to be judged
ALIKE: Final = 320  # particles of equal weight by which a question is chosen
FREE: Final = (
    *(M, J0, J45, THRESHOLD, WEBER, SAME, SAME_GROWTH, LAPSE, SCALE),
    *(POSITION, MINUS, ANY_LETTER, LETTERS, EXPONENT, FOCUS, BEST),
)
"""What is let vary: the power vector first, logarithms up to SCALE, the best acuity last. The rest moves the refraction
little and stays at the middle of its prior, for speed."""
UNIT: Final = np.array([0.3 if row < 3 else 0.1 if row == BEST else NUISANCES[row - 3][2] for row in FREE])
"""Steps of the climb are of this size: D, and about a standard deviation of the prior."""
OVER_MINUSED: Final = 0.3  # D of minus too much that an eye that focuses is likely given to begin from (assumed, swept)
CROSSES: Final = ((0.0, 0.0), (1.2, 0.0), (-1.2, 0.0), (0.0, 1.2), (0.0, -1.2))  # D, astigmatisms climbed from
FOCUSING: Final = (-1.0, 1.0)  # normal scores: resting, focusing
CLIMBS: Final = 4  # from the likeliest of them,
APART: Final = 0.9  # D: of each other
FIRST_STEPS: Final = 3  # after so many steps
FAR_BELOW: Final = 8.0  # what is so far below the highest (natural logarithm) is left,
MOST_STEPS: Final = 8  # and the others go on
FARTHEST: Final = 3.0  # units a step may go
SHORTER: Final = 0.3  # of a step that led down
SHORTENED: Final = 2  # times at most
SAME_TOP: Final = 0.3  # units of the power vector within which two tops are one
ENOUGH: Final = 0.2  # to be gained by a step: less, and the top is reached
LAST: Final = 1.0  # deviations that the last step may go, which is not looked at again
# Units, for slopes: wide where there is an edge (an eye focuses what it needs and no more; an acuity better than most
# is sharply less likely). From closer, an edge passes for a peak and the points are drawn from far too narrow a place.
_PROBE: Final = np.array([{FOCUS: 0.5, BEST: 1.0}.get(row, 0.1) for row in FREE])
_LEAST_CURVE: Final = 0.1  # a unit may be this wide at most: prior and climb stay in proportion
_DEGREES: Final = 12.0  # of freedom of the points: tails heavier than the posterior's
# By how much wider than at its top the posterior is taken to be, by what is FREE (measured over cohorts),
_WIDER: Final = np.array([1.4 if row < 3 else {SCALE: 1.3, BEST: 1.2}.get(row, 1.1) for row in FREE])[:, None]
_ABOUT: Final = 1.1  # and than points show it.
TEMPERED: Final = 0.5  # power of weights by which points show it: they are few
LEAST: Final = 20.0  # effective points that will do
FEWEST: Final = 5.0  # effective points to go on from after more answers,
MOVED: Final = 0.4  # dioptres: and only near the lens about which they were looked for, or where they are
UNFORESEEN: Final = 4.0  # natural logarithm by which answers were less foretold than FORETOLD: another eye is likelier
EFFECTIVE: Final = 0.05  # share of points that counts; below, more are drawn about what they show,
ROUNDS: Final = 4  # at most so often
_FLAT: Final = 0.01  # units squared, least spread of those
_SEED: Final = 20170310
FORETOLD: Final = 1.3  # natural logarithm an answer, by which those of most people are foretold (typical: median 1.25)
WANDERING: Final = 2.5  # times what an answer is foretold worse: logarithm of how far the posterior is drawn out
DRAWN_OUT_MOST: Final = 3.0
LOOKED_CLOSER: Final = 1.2  # from which on


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
    age: float | None
    start: Lens | None
    answers: Answers = field(repr=False, compare=False)

    def off(self, lens: Lens, within: float = 0.5) -> float:
        """Chance that the eye needs a lens farther than `within` dioptres from this one (length of the vector), the
        posterior drawn out where the answers wander (`drawn_out`)."""
        said = self._closer
        return share_beyond(said.theta[:3], said.weights, lens, said.drawn_out, within)

    @cached_property
    def _closer(self) -> Estimate:
        """This, or where the answers wander, the same found anew from more points: a few miss the tails."""
        if self.drawn_out < LOOKED_CLOSER:
            return self
        return _estimate(self.pairs, self.answers, self.near, self.age, self.start, MANY_POINTS)

    @cached_property
    def drawn_out(self) -> float:
        """By how much more than the posterior says is open, at least 1: the less the answers of a person are foretold
        by any lens, the farther off it is found to be. Set over cohorts of two seeds (821 and 811)."""
        answers = self.answers
        count = answers.choices.shape[1] + answers.lines.shape[1] + answers.readings.shape[1]
        return min(max(1.0, math.exp(WANDERING * (-self.log_chance / count - FORETOLD))), DRAWN_OUT_MOST)

    def most_telling(self, questions: Sequence[Question], worth: PowerVector) -> Question:
        """The question whose answer is expected to leave the lens surest, the variances of its parts counted by their
        `worth`; the first of equals."""
        even = np.searchsorted(np.cumsum(self.weights), (np.arange(ALIKE) + 0.5) / ALIKE)
        seen = Seen(self.theta[:, np.minimum(even, len(self.weights) - 1)], self.age)
        return most_telling(questions, seen, worth)

    @cached_property
    def bits(self) -> float:
        """Evidence, in bits, that somebody looked at the lenses: by how much choices and letters are better foretold
        by the lenses, the lines read being known, than by the habit of giving this answer after that one."""
        lines = tuple(pair for pair in self.pairs if isinstance(pair[0], AcuityQuestion))
        read = _rows(lines)
        if not read.readings.shape[1]:
            return self.least_bits
        known = _estimate(lines, read, self.near, self.age, self.start).log_chance
        return self.least_bits - known / math.log(2)

    @cached_property
    def least_bits(self) -> float:
        """What the `bits` are not below: as if every line read had been certain beforehand."""
        habit, total = Habit(), self.log_chance / math.log(2)
        for question, heard in self.pairs:
            if answer_row(question, heard) is not None and isinstance(question, (Choice, Legible)):
                total -= habit.log2_chance(question.form, heard)
        return total


def together(
    pairs: Iterable[Pair],
    near: Lens,
    age: float | None = None,
    start: Lens | None = None,
    before: Estimate | None = None,
) -> Estimate | None:
    """What these answers say of the eye, `near` being the lens the exam has come to and `start` the one it was given to
    begin from, or None; None without choices. `before` is what the first of them said, or None: it saves the search."""
    pairs = tuple(pairs)
    if before is not None and (before.age, before.start) == (age, start):
        gone_on = _gone_on(before, pairs, near)
        if gone_on is not None:
            return gone_on
    answers = _rows(pairs)
    return _estimate(pairs, answers, near, age, start) if answers.choices.shape[1] else None


def _gone_on(before: Estimate, pairs: tuple[Pair, ...], near: Lens) -> Estimate | None:
    """From the points of an estimate of the first of these answers; None where too few of them bear the others."""
    count = len(before.pairs)
    moved = min(near.vector.minus(at).blur for at in (before.near.vector, before.mean))
    if before.pairs != pairs[:count] or moved > MOVED:
        return None
    more = _rows(pairs[count:])
    with np.errstate(divide="ignore"):  # a point may have no weight left
        log_weights = np.log(before.weights) + Seen(before.theta, before.age).log_likelihood(more)
    weights = _normal(log_weights)
    effective, foretold = 1 / (weights @ weights), float(_log_sum(log_weights))
    # Where all points are as good as ruled out, their weights do not show it.
    if effective < FEWEST or foretold < -UNFORESEEN - FORETOLD * (len(pairs) - count):
        return None
    eye = _Eye(before.answers.plus(more), before.age, before.start)
    log_chance = before.log_chance + foretold
    theta = before.theta
    if effective < EFFECTIVE * POINTS:
        bell = _Bell.about(eye.points(theta), _normal(TEMPERED * log_weights))
        points, log_weights = _drawn(eye.density, [bell], [POINTS])
        theta, weights = eye.theta(points), _normal(log_weights)
        if 1 / (weights @ weights) < LEAST:
            return None
    return eye.estimate(theta, weights, log_chance, pairs, near)


def _estimate(
    pairs: tuple[Pair, ...],
    answers: Answers,
    near: Lens,
    age: float | None,
    start: Lens | None,
    count: int = POINTS,
) -> Estimate:
    eye = _Eye(answers, age, start)
    bells, counts = _placed(_climbed(eye.parts, _starts(eye, near.vector)), count)
    points, log_weights = _drawn(eye.density, bells, counts)
    log_chance = float(_log_sum(log_weights) - np.log(len(log_weights)))
    return eye.estimate(eye.theta(points), _normal(log_weights), log_chance, pairs, near)


class _Eye:
    """How likely an eye and a person are, given answers: points (size, n) in units of what is FREE."""

    def __init__(self, answers: Answers, age: float | None, start: Lens | None) -> None:
        self.answers, self.age, self.start = answers, age, start
        self._middle = _middle(age)
        self._given = None if start is None else start.vector
        if self._given is not None and plan.focuses(age):
            self._given = PowerVector(self._given.m + OVER_MINUSED, self._given.j0, self._given.j45)

    def parts(self, points: Array) -> tuple[Array, Singles]:
        """Logarithms of the prior density (n,) and of the chance of each answer (answers, n)."""
        theta = self.theta(points)
        # All but the power vector and the best acuity is normal by its prior, and a unit one standard deviation.
        person = points[3:-1]
        prior = _log_vector(theta, self._given) + log_best(theta[BEST]) - np.einsum("ij,ij->j", person, person) / 2
        return prior, Seen(theta, self.age).log_each(self.answers)

    def density(self, points: Array) -> Array:
        """Logarithm of both together."""
        prior, each = self.parts(points)
        return np.asarray(prior + each.sum(axis=0))

    def theta(self, points: Array) -> Array:
        """As particles (SIZE, n)."""
        theta = _OUT @ points
        theta += self._middle
        return np.asarray(theta)

    def points(self, theta: Array) -> Array:
        return np.asarray((theta[_ROWS] - self._middle[_ROWS]) / _UNIT)

    def estimate(
        self, theta: Array, weights: Array, log_chance: float, pairs: tuple[Pair, ...], near: Lens
    ) -> Estimate:
        mean = theta[:3] @ weights
        spread = np.sqrt(np.maximum((theta[:3] ** 2) @ weights - mean**2, 0))
        return Estimate(
            PowerVector(float(mean[M]), float(mean[J0]), float(mean[J45])),
            PowerVector(float(spread[M]), float(spread[J0]), float(spread[J45])),
            theta,
            weights,
            log_chance,
            pairs,
            near,
            self.age,
            self.start,
            self.answers,
        )


@lru_cache(maxsize=256)
def _middle(age: float | None) -> Array:
    """A particle in the middle of the prior, (SIZE, 1)."""
    return Prior(None, age).middle()[:, None]


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
    2 * math.log(2 / (math.pi * math.sqrt(3) * NEAR_J)) + math.log(2 * math.pi * WIDE_J**2 * WIDE_M / NEAR_M)
)


def _best_read(answers: Answers) -> float:
    """The best line read, logMAR, less half a line; far below any acuity where none was."""
    read = answers.readings[4, :, 0]
    return float(read.min()) - 0.05 if len(read) else -1.0


_ROWS: Final = np.array(FREE)
_UNIT: Final = UNIT[:, None]
_SIZE: Final = len(FREE)
_OUT: Final = np.eye(SIZE)[:, FREE] * UNIT  # from points to how far particles are from the middle
_I, _J = np.triu_indices(_SIZE)
_BOTH: Final = _PROBE[_I] * _PROBE[_J]
_EACH: Final = np.diag(_PROBE)
_PROBES: Final = np.concatenate((np.zeros((_SIZE, 1)), _EACH, -_EACH), axis=1)
_ALL_PROBES: Final = np.concatenate((_PROBES, _EACH[:, _I] + _EACH[:, _J]), axis=1)

Density = Callable[[Array], Array]
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
        curve[_I, _J] = curve[_J, _I] = (plus[_I] + plus[_J] - here - values[1 + 2 * _SIZE :]) / _BOTH
        np.fill_diagonal(curve, (2 * here - plus - minus) / _PROBE**2)
        curves, vectors = np.linalg.eigh(curve)
        curves = np.maximum(np.abs(curves), _LEAST_CURVE)
        # One more step, by this curvature.
        ahead = vectors.T @ ((plus - minus) / (2 * _PROBE)) / np.sqrt(curves)
        ahead *= min(1.0, LAST / max(float(np.sqrt(ahead @ ahead)), 1e-9))
        return _Top(at + vectors @ (ahead / np.sqrt(curves)), float(here + ahead @ ahead / 2), vectors, curves)


def _starts(eye: _Eye, at: PowerVector) -> list[Array]:
    """The likeliest places of a net over all that was shown, each far from the others."""
    answers = eye.answers
    shown = np.concatenate([answers.choices[0], answers.choices[4], answers.lines[0], answers.readings[0]])
    spheres = np.concatenate((np.arange(shown.min() - 1, shown.max() + 1.1, 1.0), at.m + np.arange(-1.0, 1.1, 0.5)))
    crosses = np.array(((at.j0, at.j45), *CROSSES)).T
    net = np.zeros((_SIZE, crosses.shape[1], len(FOCUSING), len(spheres)))
    net[0] = spheres
    net[1:3] = crosses[:, :, None, None]
    net[FREE.index(FOCUS)] = np.array(FOCUSING)[:, None]
    starts = net.reshape(_SIZE, -1)
    starts[:3] /= _UNIT[:3]
    starts[-1] = max(0.0, _best_read(answers) - _middle(eye.age)[BEST, 0]) / UNIT[-1]
    values = eye.density(starts)
    chosen: list[Array] = []
    while len(chosen) < CLIMBS and values.max() > -np.inf:
        best = starts[:, values.argmax()]
        chosen.append(best)
        values[np.abs(starts[:3] - best[:3, None]).max(axis=0) <= APART / UNIT[0]] = -np.inf
    return chosen


def _climbed(parts: Parts, starts: list[Array]) -> list[_Top]:
    """The tops reached from these starts, all at once: one look at the density costs little more for many places than
    for one. The slopes of the single answers stand for the curvature on the way (E.K. Berndt, B.H. Hall, R.E. Hall,
    J.A. Hausman, Ann Econ Soc Meas 1974;3:653-665; reference from memory); at a top it is looked at itself."""
    tried = np.array(starts)
    at, ahead = tried.copy(), np.zeros_like(tried)
    shortened, hoped = np.zeros(len(tried), int), np.zeros(len(tried))
    heights, going = np.full(len(tried), -np.inf), np.arange(len(tried))
    for step in range(MOST_STEPS):
        prior, each = _looked(parts, tried[going], _PROBES)
        values = prior[:, 0] + each[:, :, 0].sum(axis=0)
        up = values > heights[going]
        better = going[up]
        if len(better):
            at[better], heights[better], shortened[better] = tried[better], values[up], 0
            ahead[better], hoped[better] = _steps(prior[up], each[:, up])
        shortened[going[~up]] += 1
        tried[going] = at[going] + ahead[going] * (SHORTER ** shortened[going])[:, None]
        going = going[(hoped[going] >= ENOUGH) & (shortened[going] <= SHORTENED)]
        if step + 1 >= FIRST_STEPS:
            going = going[heights[going] > heights.max() - FAR_BELOW]
        if not len(going):
            break
    high = heights > heights.max() - FAR_BELOW
    reached = _apart(at[high], heights[high])
    prior, each = _looked(parts, reached, _ALL_PROBES)
    return [_Top.seen(*place) for place in zip(reached, prior + each.sum(axis=0), strict=True)]


def _apart(places: Array, heights: Array) -> Array:
    """Without those that came to where a higher one is."""
    kept: list[Array] = []
    for place in places[np.argsort(-heights)]:
        if all(np.abs(place[:3] - other[:3]).max() > SAME_TOP for other in kept):
            kept.append(place)
    return np.array(kept)


def _looked(parts: Parts, places: Array, probes: Array) -> tuple[Array, Array]:
    """Log prior (places, probes) and log chances of the answers (n, places, probes) about places (places, size)."""
    prior, each = parts((places[:, :, None] + probes).transpose(1, 0, 2).reshape(_SIZE, -1))
    return prior.reshape(len(places), -1), each.reshape(len(each), len(places), -1).astype(np.float64)


def _steps(prior: Array, each: Array) -> tuple[Array, Array]:
    """By what was seen at the probes: the next steps (places, size), and what they should gain (natural logarithm)."""
    higher, lower = slice(1, 1 + _SIZE), slice(1 + _SIZE, 1 + 2 * _SIZE)
    slopes = (each[:, :, higher] - each[:, :, lower]).transpose(1, 0, 2) / (2 * _PROBE)
    slope = slopes.sum(axis=1) + (prior[:, higher] - prior[:, lower]) / (2 * _PROBE)
    bend = (2 * prior[:, :1] - prior[:, higher] - prior[:, lower]) / _PROBE**2
    curve = slopes.transpose(0, 2, 1) @ slopes
    curve[:, range(_SIZE), range(_SIZE)] += np.maximum(bend, _LEAST_CURVE)
    ahead = np.linalg.solve(curve, slope[:, :, None])[:, :, 0]
    gain = np.einsum("ij,ij->i", ahead, slope) / 2
    ahead *= np.minimum(1.0, FARTHEST / np.maximum(np.abs(ahead).max(axis=1), 1e-9))[:, None]
    return ahead, gain


@dataclass(frozen=True)
class _Bell:
    """Student's t about a place: points are drawn from it, and its density is known."""

    centre: Array
    root: Array  # (size, size)
    back: Array  # its inverse
    log_size: float  # logarithm of its determinant

    @staticmethod
    def on(top: _Top) -> _Bell:
        return _Bell._of(top.at, np.linalg.cholesky((top.vectors / top.curves) @ top.vectors.T) * _WIDER)

    @staticmethod
    def about(points: Array, weights: Array) -> _Bell:
        centre = points @ weights
        apart = points - centre[:, None]
        return _Bell._of(centre, np.linalg.cholesky((apart * weights) @ apart.T + _FLAT * np.eye(_SIZE)) * _ABOUT)

    @staticmethod
    def _of(centre: Array, root: Array) -> _Bell:
        return _Bell(centre, root, np.asarray(np.linalg.inv(root)), float(np.log(np.diag(root)).sum()))

    def draw(self, spread: Array) -> Array:
        """(size, n) points, from as many columns of the `_pool`."""
        return np.asarray(self.centre[:, None] + self.root @ spread)

    def log_density(self, points: Array) -> Array:
        apart = self.back @ (points - self.centre[:, None])
        far = np.einsum("ij,ij->j", apart, apart)
        return np.asarray(_LOG_HEAVY - self.log_size - 0.5 * (_DEGREES + _SIZE) * np.log1p(far / _DEGREES))


@lru_cache(maxsize=2)
def _pool(count: int) -> Array:
    """(size, n) draws of Student's t, the same for every eye: enough to draw `count` points and the rounds after."""
    chance, most = np.random.default_rng([_SEED, _SIZE]), count + CLIMBS + ROUNDS * (count // 2)
    spread = chance.standard_normal((_SIZE, most))
    return np.asarray(spread * np.sqrt(_DEGREES / chance.chisquare(_DEGREES, most)))


def _placed(tops: list[_Top], count: int) -> tuple[list[_Bell], list[int]]:
    """Bells on the tops, and how many points to draw from each."""
    bells = [_Bell.on(top) for top in tops]
    volumes = _normal(np.array([top.log_density + bell.log_size for top, bell in zip(tops, bells, strict=True)]))
    return bells, [max(1, round(share * count)) for share in 0.9 * volumes + 0.1 / len(tops)]


def _drawn(density: Density, bells: list[_Bell], counts: list[int]) -> tuple[Array, Array]:
    """Points from the bells, and the logarithms of their weights."""
    used = count = sum(counts)
    pool = _pool(POINTS if count <= POINTS + CLIMBS else MANY_POINTS)
    parts = np.split(pool[:, :used], np.cumsum(counts)[:-1], axis=1)
    points = np.concatenate([bell.draw(part) for bell, part in zip(bells, parts, strict=True)], axis=1)
    log_density = density(points)
    chances = [bell.log_density(points) for bell in bells]
    for left in range(ROUNDS, -1, -1):
        log_weights = log_density - _log_sum(np.array(chances) + np.log(np.array(counts) / used)[:, None])
        weights = _normal(log_weights)
        if not left or 1 / (weights @ weights) >= EFFECTIVE * count:
            break
        # Not the shape that was thought: points about what these show, weighed together with them.
        bell = _Bell.about(points, _normal(TEMPERED * log_weights))
        more = bell.draw(pool[:, used : used + count // 2])
        chances = [np.concatenate((log, old.log_density(more))) for log, old in zip(chances, bells, strict=True)]
        points = np.concatenate((points, more), axis=1)
        chances.append(bell.log_density(points))
        bells, counts, used = [*bells, bell], [*counts, more.shape[1]], used + more.shape[1]
        log_density = np.concatenate((log_density, density(more)))
    return points, log_weights


def _log_sum(logs: Array) -> Array:
    """Logarithm of the sum of each column's exponentials."""
    top = logs.max(axis=0)
    return np.asarray(top + np.log(np.exp(logs - top).sum(axis=0)))


_LOG_HEAVY: Final = (
    math.lgamma((_DEGREES + _SIZE) / 2) - math.lgamma(_DEGREES / 2) - _SIZE / 2 * math.log(_DEGREES * math.pi)
)


def _rows(pairs: Iterable[Pair]) -> Answers:
    return Answers.of(row for question, heard in pairs if (row := answer_row(question, heard)) is not None)


def _normal(log_weights: Array) -> Array:
    weights = np.exp(log_weights - log_weights.max())
    return np.asarray(weights / weights.sum())


def weigh(
    pairs: Iterable[Pair],
    near: Lens,
    age: float | None = None,
    start: Lens | None = None,
    before: object = None,
) -> Estimate | None:
    """What `together` finds, in the form the exam takes it (`assistant.protocol.weighing.Weigh`)."""
    return together(pairs, near, age, start, before if isinstance(before, Estimate) else None)

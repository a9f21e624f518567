"""All answers of an eye at once, near a lens that is nearly right: what a step of the exam can wait for.

The cloud (`cloud.py`) follows an exam answer by answer from a prior as wide as the dials. This is the short way, in
a few milliseconds: population Monte Carlo (O. Cappé and others, J Comput Graph Stat 2004;13:907-929; reference from
memory) from a start around the lens that the exam has come to. Same answers, same figures: the random numbers are
seeded.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from ..optics.lens import Lens
from ..optics.power_vector import PowerVector
from .model import (
    BEST,
    FOCUS,
    J0,
    J45,
    LAPSE,
    SAME,
    SAME_GROWTH,
    SCALE,
    SIZE,
    THRESHOLD,
    WEBER,
    Answers,
    Array,
    M,
    Prior,
    Seen,
    answer_row,
)
from .pairs import Pair

PARTICLES: Final = 500
ROUNDS: Final = 5
FREE: Final = (M, J0, J45, THRESHOLD, WEBER, SAME, SAME_GROWTH, LAPSE, SCALE, BEST, FOCUS)
"""What is let vary. The rest moves the astigmatism little and stays at the middle of its prior, for speed."""
EFFECTIVE: Final = 0.12  # share of particles an answer set is tempered to, round by round
START_M, START_J = 0.45, 0.35  # D: how far off the exam's lens may be at first
_DEGREES: Final = 5.0  # of freedom of the proposals: tails heavier than the posterior's
_SEED: Final = 20170310


@dataclass(frozen=True)
class Estimate:
    """Posterior mean of the power vector and the standard deviations of its parts (dioptres).

    effective   effective number of particles; below about thirty the figures are rough
    """

    mean: PowerVector
    spread: PowerVector
    effective: float


def together(pairs: Iterable[Pair], near: Lens, age: float | None = None) -> Estimate | None:
    """What these answers say of the eye, `near` being the lens the exam has come to; None without answers."""
    answers = Answers.none()
    for question, heard in pairs:
        row = answer_row(question, heard)
        if row is not None:
            answers = answers.plus(row)
    if not answers.choices.shape[1]:
        return None
    chance = np.random.default_rng([_SEED, SIZE, answers.choices.shape[1]])
    prior = Prior(None, age)
    theta = prior.draw(PARTICLES, chance)
    held = np.setdiff1d(np.arange(SIZE), FREE)
    theta[held] = prior.middle()[held, None]
    free = np.array(FREE)
    at = near.vector
    for row_index, centre, width in ((M, at.m, START_M), (J0, at.j0, START_J), (J45, at.j45, START_J)):
        theta[row_index] = centre + width * chance.standard_t(_DEGREES, PARTICLES)
    log_proposal = prior.log_density(theta)  # of the nuisances; the vector's own part is put in its place
    log_proposal = log_proposal - _log_vector_prior(prior, theta) + _log_start(theta, at)
    weights = np.full(PARTICLES, 1 / PARTICLES)
    for number in range(ROUNDS):
        log_target = prior.log_density(theta) + Seen(theta, age).log_likelihood(answers)
        log_weights = log_target - log_proposal
        last = number == ROUNDS - 1
        weights = _tempered(log_weights)
        if last:
            break
        mean = theta[free] @ weights
        apart = theta[free] - mean[:, None]
        covariance = (apart * weights) @ apart.T * 1.2 + np.diag(np.full(len(free), 1e-6))
        root = np.linalg.cholesky(covariance)
        z = chance.standard_normal((len(free), PARTICLES))
        length = np.sqrt(_DEGREES / chance.chisquare(_DEGREES, PARTICLES))
        theta[free] = mean[:, None] + root @ (z * length)
        squared = np.einsum("ij,ij->j", z, z) * length * length
        log_proposal = -0.5 * (_DEGREES + len(free)) * np.log1p(squared / _DEGREES) - np.log(np.diag(root)).sum()
    mean = theta @ weights
    spread = np.sqrt(np.maximum(((theta - mean[:, None]) ** 2) @ weights, 0))
    return Estimate(
        PowerVector(float(mean[M]), float(mean[J0]), float(mean[J45])),
        PowerVector(float(spread[M]), float(spread[J0]), float(spread[J45])),
        float(1 / (weights @ weights)),
    )


def _log_vector_prior(prior: Prior, theta: Array) -> Array:
    """The part of the prior's density that belongs to the power vector."""
    bare = theta.copy()
    bare[:3] = 0.0
    return prior.log_density(theta) - prior.log_density(bare)


def _log_start(theta: Array, at: PowerVector) -> Array:
    total = np.zeros(theta.shape[1])
    for row_index, centre, width in ((M, at.m, START_M), (J0, at.j0, START_J), (J45, at.j45, START_J)):
        total += -0.5 * (_DEGREES + 1) * np.log1p(((theta[row_index] - centre) / width) ** 2 / _DEGREES)
    return total


def _normal(log_weights: Array) -> Array:
    weights = np.exp(log_weights - log_weights.max())
    return np.asarray(weights / weights.sum())


def _tempered(log_weights: Array) -> Array:
    """The weights to a power at which enough particles count."""
    low, high = 0.0, 1.0
    weights = _normal(log_weights)
    if 1 / (weights @ weights) >= EFFECTIVE * len(weights):
        return weights
    for _ in range(10):
        middle = (low + high) / 2
        weights = _normal(middle * log_weights)
        if 1 / (weights @ weights) >= EFFECTIVE * len(weights):
            low = middle
        else:
            high = middle
    return _normal(low * log_weights)


def weigh(pairs: Iterable[Pair], near: Lens, age: float | None = None) -> PowerVector | None:
    """The mean of `together`, in the form the exam takes it (`assistant.protocol.weighing.Weigh`)."""
    estimate = together(pairs, near, age)
    return None if estimate is None else estimate.mean

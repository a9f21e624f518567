"""All answers of an eye at once, near a lens that is nearly right: what a step of the exam can wait for.

The cloud (`cloud.py`) follows an exam answer by answer from a prior as wide as the dials. This is the short way, in
some milliseconds: particles start around the lens that the exam has come to and are taken to the posterior by
annealing, resampled and moved at every stage (sequential Monte Carlo samplers: P. Del Moral, A. Doucet, A. Jasra,
J R Stat Soc B 2006;68:411-436; reference from memory). Same answers, same figures: the random numbers are seeded.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

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

PARTICLES: Final = 400
EFFECTIVE: Final = 0.25  # share of particles that still counts after a stage
SWEEPS: Final = 2  # moves a stage, and twice that at the end
STRETCH: Final = 0.4  # of the particles' covariance root for a move; swept
MOST_STAGES: Final = 30
FREE: Final = (M, J0, J45, THRESHOLD, WEBER, SAME, SAME_GROWTH, LAPSE, SCALE, BEST, FOCUS)
"""What is let vary. The rest moves the astigmatism little and stays at the middle of its prior, for speed."""
START_M, START_J = 0.45, 0.35  # D: how far off the exam's lens may be at first
SAYS_LITTLE: Final = 0.25  # D: standard deviation of J0 or J45 from which on the answers leave it open
FOCUS_OPEN: Final = 0.2  # D: the same for M
_DEGREES: Final = 5.0  # of freedom of the proposals: tails heavier than the posterior's
_SEED: Final = 20170310


@dataclass(frozen=True)
class Estimate:
    """Posterior mean of the power vector and the standard deviations of its parts (dioptres)."""

    mean: PowerVector
    spread: PowerVector


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

    def start(particles: Array) -> Array:
        """Log density the particles started from: the prior, but near the exam's lens."""
        return prior.log_density(particles) - _log_vector_prior(prior, particles) + _log_start(particles, at)

    def posterior(particles: Array) -> Array:
        return prior.log_density(particles) + Seen(particles, age).log_likelihood(answers)

    log_start, log_posterior = start(theta), posterior(theta)
    heat = 0.0
    for _ in range(MOST_STAGES):
        gain = log_posterior - log_start
        step = _bearable(gain, 1.0 - heat)
        heat += step
        chosen = _resampled(_normal(step * gain), chance)
        theta, log_start, log_posterior = theta[:, chosen], log_start[chosen], log_posterior[chosen]
        done = heat >= 1.0 - 1e-9
        root = np.linalg.cholesky(np.cov(theta[free]) + np.diag(np.full(len(free), 1e-7))) * STRETCH
        for _ in range(SWEEPS * (2 if done else 1)):
            proposed = theta.copy()
            length = np.exp(0.6 * chance.standard_normal(PARTICLES))  # serves both the body and the tails
            proposed[free] += root @ (chance.standard_normal((len(free), PARTICLES)) * length)
            new_start, new_posterior = start(proposed), posterior(proposed)
            rise = (1 - heat) * (new_start - log_start) + heat * (new_posterior - log_posterior)
            accepted = np.log(chance.random(PARTICLES)) < rise
            theta = np.where(accepted, proposed, theta)
            log_start = np.where(accepted, new_start, log_start)
            log_posterior = np.where(accepted, new_posterior, log_posterior)
        if done:
            break
    mean, spread = theta.mean(axis=1), theta.std(axis=1)
    return Estimate(
        PowerVector(float(mean[M]), float(mean[J0]), float(mean[J45])),
        PowerVector(float(spread[M]), float(spread[J0]), float(spread[J45])),
    )


def _resampled(weights: Array, chance: np.random.Generator) -> NDArray[np.intp]:
    edges = np.cumsum(weights)
    edges[-1] = 1.0
    return np.searchsorted(edges, (chance.random() + np.arange(len(weights))) / len(weights))


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


def _bearable(gain: Array, left: float) -> float:
    """The largest part of what is `left` of the way that leaves enough particles counting."""

    def enough(step: float) -> bool:
        weights = _normal(step * gain)
        return bool(1 / (weights @ weights) >= EFFECTIVE * len(weights))

    if enough(left):
        return left
    low, high = 0.0, left
    for _ in range(10):
        middle = (low + high) / 2
        low, high = (middle, high) if enough(middle) else (low, middle)
    return max(low, 0.02)


def weigh(pairs: Iterable[Pair], near: Lens, age: float | None = None) -> PowerVector | None:
    """The mean of `together`, in the form the exam takes it (`assistant.protocol.weighing.Weigh`).

    None where the answers leave the astigmatism open: then the steps' own lens is as good a guess. Where they leave
    the spherical equivalent open, that is the lens's own.
    """
    estimate = together(pairs, near, age)
    if estimate is None or max(estimate.spread.j0, estimate.spread.j45) > SAYS_LITTLE:
        return None
    if estimate.spread.m > FOCUS_OPEN:
        return PowerVector(near.vector.m, estimate.mean.j0, estimate.mean.j45)
    return estimate.mean

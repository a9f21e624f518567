"""A posterior as a cloud of particles: reweighed by each answer, renewed when too few of them carry the weight.

Sequential importance sampling with resample-move steps (N. Chopin, Biometrika 2002;89:539-552) and tempering of
answers too telling to take at once. Random numbers come from a generator seeded by how many answers there are, so the
same answers always give the same posterior.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from .model import J0, J45, SIZE, Answers, Array, M, Prior, Seen

FIRST_PARTICLES: Final = 6000  # the prior is wide: many to begin with,
PARTICLES: Final = 1200  # fewer once they have gathered
RENEW_BELOW: Final = 0.5  # effective share of particles
SWEEPS: Final = 2
_SEED: Final = 20170310

_VECTOR = np.array([M, J0, J45])
_REST = np.arange(3, SIZE)
_ALL = np.arange(SIZE)


@dataclass(frozen=True)
class Cloud:
    """`theta` (SIZE, n) particles, `log_weights` (n,) normalised, `log_posterior` (n,) unnormalised density of each,
    `log_evidence` the log chance of all answers so far."""

    prior: Prior
    theta: Array
    log_weights: Array
    log_posterior: Array
    log_evidence: float = 0.0

    @staticmethod
    def of(prior: Prior) -> Cloud:
        theta = prior.draw(FIRST_PARTICLES, np.random.default_rng([_SEED, 0]))
        even = np.full(FIRST_PARTICLES, -np.log(FIRST_PARTICLES))
        return Cloud(prior, theta, even, prior.log_density(theta))

    @property
    def weights(self) -> Array:
        return np.exp(self.log_weights)

    def updated(self, new: Answers, before: Answers) -> Cloud:
        """After one more answer `new`; `before` are those already taken in."""
        number = 1 + before.choices.shape[1] + before.lines.shape[1] + before.readings.shape[1]
        chance = np.random.default_rng([_SEED, number])
        cloud, taken, answers = self, 0.0, before.plus(new)
        added = Seen(cloud.theta, cloud.prior.age).log_likelihood(new)
        while True:
            share = cloud._bearable(added, 1.0 - taken)
            log_weights = cloud.log_weights + share * added
            log_sum = _log_sum(log_weights)
            taken += share
            cloud = Cloud(
                cloud.prior,
                cloud.theta,
                log_weights - log_sum,
                cloud.log_posterior + share * added,
                cloud.log_evidence + log_sum,
            )
            if taken >= 1.0 and effective(cloud.log_weights) >= RENEW_BELOW * len(log_weights):
                return cloud
            cloud = cloud._renewed(answers, new, 1.0 - taken, chance)
            if taken >= 1.0:
                return cloud
            added = Seen(cloud.theta, cloud.prior.age).log_likelihood(new)

    def _bearable(self, added: Array, left: float) -> float:
        """Largest share of an answer that leaves enough particles to renew the cloud from."""
        least = 0.15 * len(added)
        if effective(self.log_weights + left * added) >= least:
            return left
        low, high = 0.0, left
        for _ in range(12):
            middle = (low + high) / 2
            if effective(self.log_weights + middle * added) >= least:
                low = middle
            else:
                high = middle
        return max(low, 0.01)

    def _renewed(self, answers: Answers, new: Answers, untaken: float, chance: np.random.Generator) -> Cloud:
        """Resampled and moved by Metropolis steps that leave the posterior as it is."""
        weights = self.weights
        mean = self.theta @ weights
        apart = self.theta - mean[:, None]
        covariance = (apart * weights) @ apart.T + np.diag(np.full(SIZE, 1e-8))
        edges = np.cumsum(weights)
        edges[-1] = 1.0
        chosen = np.searchsorted(edges, (chance.random() + np.arange(PARTICLES)) / PARTICLES)
        theta, log_posterior = self.theta[:, chosen], self.log_posterior[chosen]
        for _ in range(SWEEPS):
            for rows, stretch in ((_VECTOR, 0.8), (_REST, 0.35), (_ALL, 0.25)):
                root = np.linalg.cholesky(covariance[np.ix_(rows, rows)]) * stretch
                proposed = theta.copy()
                # A mixture of step lengths serves both the body of the posterior and its tails.
                length = np.exp(0.6 * chance.standard_normal(PARTICLES))
                proposed[rows] += root @ (chance.standard_normal((len(rows), PARTICLES)) * length)
                seen = Seen(proposed, self.prior.age)
                density = self.prior.log_density(proposed) + seen.log_likelihood(answers)
                if untaken > 0:
                    density -= untaken * seen.log_likelihood(new)
                accepted = np.log(chance.random(PARTICLES)) < density - log_posterior
                theta = np.where(accepted, proposed, theta)
                log_posterior = np.where(accepted, density, log_posterior)
        even = np.full(PARTICLES, -np.log(PARTICLES))
        return Cloud(self.prior, theta, even, log_posterior, self.log_evidence)


def effective(log_weights: Array) -> float:
    """Effective number of particles of these log weights (Kong 1992: one over the sum of squares)."""
    weights = np.exp(log_weights - log_weights.max())
    return float(weights.sum() ** 2 / (weights @ weights))


def _log_sum(values: Array) -> float:
    top = float(values.max())
    return top + float(np.log(np.exp(values - top).sum()))

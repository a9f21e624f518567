"""A posterior as a cloud of particles: reweighed by each answer, renewed when too few of them carry the weight.

Sequential importance sampling with resample-move steps (N. Chopin, Biometrika 2002;89:539-552) and tempering of
answers too telling to take at once. Random numbers come from a generator seeded by how many answers there are, so the
same answers always give the same posterior.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from .model import SIZE, Answers, Array, Prior, Seen, Singles

FIRST_PARTICLES: Final = 4000  # the prior is wide: many to begin with,
PARTICLES: Final = 1200  # fewer once they have gathered
RENEW_BELOW: Final = 0.25  # effective share of particles
SWEEPS: Final = 2
VECTOR_MOVES: Final = 2
_SEED: Final = 20170310


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
        edges = np.cumsum(weights)
        edges[-1] = 1.0
        chosen = np.searchsorted(edges, (chance.random() + np.arange(PARTICLES)) / PARTICLES)
        theta, log_posterior = self.theta[:, chosen], self.log_posterior[chosen]

        apart = self.theta - (self.theta @ weights)[:, None]
        covariance = (apart * weights) @ apart.T + 1e-8 * np.eye(SIZE)
        whole = np.linalg.cholesky(covariance).astype(np.float32)
        vector = whole[:3, :3]
        person = np.linalg.cholesky(covariance[3:, 3:]).astype(np.float32)

        def likelihood(seen: Seen) -> Array:
            total = seen.log_likelihood(answers)
            return total - untaken * seen.log_likelihood(new) if untaken > 0 else total

        def steps(root: Singles, stretch: float) -> Singles:
            # A mixture of step lengths serves both the body of the posterior and its tails.
            lengths = stretch * np.exp(0.6 * chance.standard_normal(PARTICLES, dtype=np.float32))
            return np.asarray(root @ (chance.standard_normal((len(root), PARTICLES), dtype=np.float32) * lengths))

        def settle(proposed: Array, density: Array) -> None:
            accepted = np.log(chance.random(PARTICLES)) < density - log_posterior
            np.copyto(theta[: len(proposed)], proposed, where=accepted)
            np.copyto(log_posterior, density, where=accepted)

        for _ in range(SWEEPS):
            for first, root, stretch in ((0, whole, 0.25), (3, person, 0.35)):
                proposed = theta.copy()
                proposed[first:] += steps(root, stretch)
                density = self.prior.log_density(proposed) + likelihood(Seen(proposed, self.prior.age))
                settle(proposed, density)
            seen, log_person = Seen(theta, self.prior.age), self.prior.log_person(theta)
            for _ in range(VECTOR_MOVES):
                moved = theta[:3] + steps(vector, 0.8)
                density = self.prior.log_vector(moved) + log_person + likelihood(seen.moved(moved))
                settle(moved, density)
        even = np.full(PARTICLES, -np.log(PARTICLES))
        return Cloud(self.prior, theta, even, log_posterior, self.log_evidence)


def effective(log_weights: Array) -> float:
    """Effective number of particles of these log weights (Kong 1992: one over the sum of squares)."""
    weights = np.exp(log_weights - log_weights.max())
    return float(weights.sum() ** 2 / (weights @ weights))


def _log_sum(values: Array) -> float:
    top = float(values.max())
    return top + float(np.log(np.exp(values - top).sum()))

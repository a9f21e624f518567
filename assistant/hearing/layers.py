"""What the layers of a transformer are made of (numpy only); values are rows, one after another in time."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float32]


def normal(values: Values, gamma: Values, beta: Values) -> Values:
    """Each row with mean 0 and variance 1, then stretched and moved."""
    centred = values - values.mean(axis=1, keepdims=True)
    spread = np.sqrt((centred**2).mean(axis=1, keepdims=True) + 1e-5)
    return np.asarray(centred / spread * gamma + beta)


def gelu(values: Values) -> Values:
    """Gaussian error linear unit, by its tanh form (D. Hendrycks & K. Gimpel, arXiv:1606.08415)."""
    cubed = values * values * values  # numpy's own power takes five times as long
    return np.asarray(0.5 * values * (1 + np.tanh(np.float32(0.7978846) * (values + np.float32(0.044715) * cubed))))


def log_shares(values: Values) -> Values:
    """Logarithms of shares along the last axis."""
    values = values - values.max(axis=-1, keepdims=True)
    return np.asarray(values - np.log(np.exp(values).sum(axis=-1, keepdims=True)))


def attended(query: Values, key: Values, value: Values, heads: int, hidden: NDArray[np.bool_] | None = None) -> Values:
    """What each row of `query` takes from the rows of `value`, (rows, width); nothing from where it is `hidden`."""

    def split(values: Values) -> Values:
        return np.asarray(values.reshape(len(values), heads, -1).transpose(1, 0, 2))

    query, key, value = split(query), split(key), split(value)
    scores = query @ key.transpose(0, 2, 1) / np.float32(np.sqrt(query.shape[-1]))
    if hidden is not None:
        scores[:, hidden] = -np.inf
    mixed = np.exp(log_shares(scores)) @ value
    return np.asarray(mixed.transpose(1, 0, 2).reshape(mixed.shape[1], -1))

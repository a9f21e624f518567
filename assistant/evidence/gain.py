"""How much the answer to a question not yet asked would tell.

The idea of QUEST+ (A.B. Watson, J Vis 2017;17(3):10): of the questions that may be put, the one whose answer is
expected to leave the least uncertain. There the uncertainty is that of every parameter; here that of the power
vector is wanted, as an eye is refracted, not a person measured.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from ..protocol.meanings import Meaning
from ..protocol.questions import AcuityQuestion, Choice, Legible, Question
from .model import Array, Seen, choice_row, line_row, reading_rows

_FLOOR: Final = 1e-4  # D²: variances below (0.01 D)² are as good as none


def chances(question: Question, seen: Seen) -> Array:
    """Chance of every answer to a question from each particle, (answers, particles); columns sum to 1.

    Raises ValueError for a question whose answer says nothing about the eye.
    """
    if isinstance(question, Choice):
        rows = [choice_row(question.first, question.second, meaning) for meaning in _CHOICE]
        table = np.concatenate([np.exp(seen.log_choices(row.choices)) for row in rows if row is not None])
    elif isinstance(question, Legible):
        rows = [line_row(question.lens, question.line, meaning) for meaning in (Meaning.YES, Meaning.NO)]
        table = np.concatenate([np.exp(seen.log_lines(row.lines)) for row in rows if row is not None])
    elif isinstance(question, AcuityQuestion):
        table = np.exp(seen.log_readings(reading_rows(question.lens)))
    else:
        raise ValueError(f"question: the answer to {question!r} says nothing about the eye")
    table = table.astype(np.float64)
    return np.asarray(table / table.sum(axis=0))


_CHOICE: Final = (Meaning.FIRST, Meaning.SECOND, Meaning.SAME)


def information(table: Array, weights: Array) -> float:
    """Mutual information in bits between the answer and what the particles stand for: QUEST+'s gain.

    `table` as from `chances`, `weights` (particles,) summing to 1.
    """
    foretold = table @ weights
    return _entropy(foretold) - float(np.sum(_entropy_terms(table) @ weights))


def vector_gain(table: Array, vectors: Array, weights: Array) -> float:
    """Bits about the power vector alone: expected fall of the entropy of the normal distribution with the
    posterior's covariance. `vectors` is (3, particles)."""
    now = _log_volume(vectors, weights)
    after = 0.0
    for answer in table:
        joint = answer * weights
        share = joint.sum()
        if share > 1e-6:
            after += share * _log_volume(vectors, joint / share)
    return float(now - after)


def _log_volume(vectors: Array, weights: Array) -> float:
    """Half the base-2 logarithm of the determinant of the covariance."""
    apart = vectors - (vectors @ weights)[:, None]
    covariance = (apart * weights) @ apart.T + _FLOOR * np.eye(len(vectors))
    return float(np.linalg.slogdet(covariance)[1] / (2 * np.log(2)))


def _entropy_terms(table: Array) -> Array:
    safe = np.maximum(table, 1e-12)
    return np.asarray(-safe * np.log2(safe))


def _entropy(shares: Array) -> float:
    return float(_entropy_terms(shares).sum())

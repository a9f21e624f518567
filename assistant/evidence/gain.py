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

BINS: Final = 16  # of equal weight, from the least blur to the most


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


def blur_information(table: Array, shown: Array, weights: Array) -> float:
    """Mutual information in bits between the answer and the blur it is about, persons averaged over.

    `shown` (particles,) is that blur, as from `shown_by`. What an answer says of the power vector it says through it,
    so this leaves out what would only be learnt of the person: how sharp, how steady, how careful.
    """
    order = np.argsort(shown)
    sums = np.cumsum(weights[order])
    bins = np.minimum((sums - weights[order] / 2) / sums[-1] * BINS, BINS - 1).astype(int)
    joint = np.zeros((len(table), BINS))
    for answer, row in enumerate(table * weights):
        joint[answer] = np.bincount(bins, weights=row[order], minlength=BINS)
    share = joint.sum(axis=0)
    within = joint / np.where(share > 0, share, 1)
    return _entropy(joint.sum(axis=1)) - float(_entropy_terms(within).sum(axis=0) @ share)


def shown_by(question: Question, seen: Seen) -> Array:
    """What a question shows each particle, dioptres: by how much the first lens blurs more than the second, or the blur
    behind the one lens."""
    if isinstance(question, Choice):
        return np.asarray(seen.blur(question.first.vector) - seen.blur(question.second.vector), dtype=np.float64)
    assert isinstance(question, (Legible, AcuityQuestion))
    return np.asarray(seen.blur(question.lens.vector), dtype=np.float64)


def _entropy_terms(table: Array) -> Array:
    safe = np.maximum(table, 1e-12)
    return np.asarray(-safe * np.log2(safe))


def _entropy(shares: Array) -> float:
    return float(_entropy_terms(shares).sum())

"""How much the answer to a question not yet asked would tell.

The idea of QUEST+ (A.B. Watson, J Vis 2017;17(3):10): of the questions that may be put, the one whose answer is
expected to leave the least uncertain. There the uncertainty is the entropy of every parameter; here an eye is
refracted, not a person measured, so an exam asks for what leaves the power vector the least variance (`most_telling`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from ..optics.lens import Lens
from ..optics.power_vector import PowerVector
from ..protocol.meanings import Meaning
from ..protocol.questions import AcuityQuestion, Choice, Legible, Question
from .model import Answers, Array, Seen, Values, choice_values, columns, line_values, reading_values

BINS: Final = 16  # of equal weight, from the least blur to the most


def chances(question: Question, seen: Seen) -> Array:
    """Chance of every answer to a question from each particle, (answers, particles); columns sum to 1.

    Raises ValueError for a question whose answer says nothing about the eye.
    """
    ((_, tables),) = _tables((question,), seen)
    return np.asarray(tables[0])


def _tables(questions: Sequence[Question], seen: Seen) -> Iterator[tuple[list[int], Array]]:
    """Of each form the places of its questions, and their `chances` (questions, answers, particles), at one look."""
    choices, lines, readings = (
        [place for place, question in enumerate(questions) if isinstance(question, form)]
        for form in (Choice, Legible, AcuityQuestion)
    )
    values: tuple[list[Values], list[Values], list[Values]] = ([], [], [])
    for question in questions:
        if isinstance(question, Choice):
            values[0].extend(choice_values(question.first, question.second, said) for said in _CHOICE)
        elif isinstance(question, Legible):
            values[1].append(line_values(question.lens, question.line, Meaning.YES))
        elif isinstance(question, AcuityQuestion):
            values[2].extend(reading_values(question.lens))
        else:
            raise ValueError(f"question: the answer to {question!r} says nothing about the eye")
    asked = Answers(columns(values[0], 12), columns(values[1], 7), columns(values[2], 5))
    each = np.exp(seen.log_each(asked)).astype(np.float64)
    parts = np.split(each, np.cumsum([len(values[0]), len(values[1])]))
    for places, part, whole in zip((choices, lines, readings), parts, (False, False, True), strict=True):
        if places:
            table = part.reshape(len(places), -1, each.shape[1])
            total = table.sum(axis=1, keepdims=True)
            # What is left of 1 is the chance of the answer not looked at: "the same", no letter.
            yield places, table / total if whole else np.concatenate((table, np.maximum(1 - total, 0)), axis=1)


_CHOICE: Final = (Meaning.FIRST, Meaning.SECOND)


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


def most_telling(questions: Sequence[Question], seen: Seen, worth: PowerVector) -> Question:
    """The question whose answer is expected to leave the lens surest: the least variance of the power vector, its parts
    counted by their `worth`; the first of equals. The particles count alike.

    Each answer's particles have a mean of their own; by as much as these vary, the variance within is less (law of
    total variance), and nothing that the answer tells of the person is counted.
    """
    apart = np.stack((seen.m, seen.j0, seen.j45)).astype(np.float64)
    apart -= apart.mean(axis=1, keepdims=True)
    told = np.empty(len(questions))
    for places, tables in _tables(questions, seen):
        moved = tables @ apart.T / apart.shape[1]  # (questions, answers, 3): chance of the answer times its mean
        moved *= moved
        moved /= np.maximum(tables.mean(axis=2), 1e-12)[:, :, None]
        told[places] = moved.sum(axis=1) @ np.array(worth)
    return questions[int(np.argmax(told))]


def shown_by(question: Question, seen: Seen) -> Array:
    """What a question shows each particle, dioptres: by how much the first lens blurs more than the second, or the blur
    behind the one lens."""
    blurs = seen.blurs([lens.vector for lens in _lenses(question)]).astype(np.float64)
    return np.asarray(blurs[0] - blurs[1] if isinstance(question, Choice) else blurs[0])


def _lenses(question: Question) -> tuple[Lens, ...]:
    if isinstance(question, Choice):
        return question.first, question.second
    assert isinstance(question, (Legible, AcuityQuestion))
    return (question.lens,)


def _entropy_terms(table: Array) -> Array:
    safe = np.maximum(table, 1e-12)
    return np.asarray(-safe * np.log2(safe))


def _entropy(shares: Array) -> float:
    return float(_entropy_terms(shares).sum())

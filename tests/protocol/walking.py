"""One step of the exam by itself: an eye that sees exactly, or one that answers anything."""

from __future__ import annotations

import math
from collections.abc import Callable

from assistant.optics.lens import Lens
from assistant.optics.power_vector import PowerVector
from assistant.protocol.eye import EyeState
from assistant.protocol.meanings import Heard, Meaning, Outcome
from assistant.protocol.questions import AcuityQuestion, Choice, Eye, Legible, Question
from assistant.protocol.steps.base import Move, Step

Sees = Callable[[Question], Heard]
MOST_ASKED = 200


def eye(
    lens: Lens, line: str | None = "20/20", age: int | None = 40, given: bool = False, entering: str | None = None
) -> EyeState:
    """An eye behind a lens, through which it reads a line."""
    return EyeState(
        Eye.RIGHT,
        lens,
        age=age,
        entering=entering,
        line=line,
        line_lens=lens if line else None,
        given=given,
        power_from=lens.cylinder,
        focus_from=lens.spherical_equivalent,
    )


def heard(meaning: Meaning, value: str | None = None, hedged: bool = False) -> Heard:
    return Heard(meaning.value, Outcome.HEARD, meaning, value, hedged=hedged)


def choice_of(step: Step, at: EyeState) -> Choice:
    """The pair a step asks about."""
    question = step.ask(at)
    assert isinstance(question, Choice)
    return question


def walk(step: Step, at: EyeState, sees: Sees) -> tuple[Step, EyeState, list[tuple[Question, Move]]]:
    """Take a step to its end; every question with what followed from its answer."""
    told = []
    question = step.ask(at)
    while question is not None:
        assert len(told) < MOST_ASKED, f"no end; it asks {question}"
        move = step.answer(at, sees(question))
        told.append((question, move))
        step, at = move.step, move.eye
        question = step.ask(at)
    return step, at, told


def blur(truth: Lens, lens: Lens) -> float:
    """Length of the power vector that is left over, dioptres (Thibos, Wheeler & Horner 1997)."""
    return lens.vector.minus(truth.vector).blur


# Acuity falls as MAR = 1 + b² (R. Blendowske, Optom Vis Sci 2015).
LINES = (20, 25, 30, 40, 50, 60, 70, 80, 100, 150, 200, 300, 400)


def exact(truth: Lens, same_below: float = 0.02) -> Sees:
    """An eye that cannot focus and makes no mistake."""

    def sees(question: Question) -> Heard:
        if isinstance(question, Choice):
            better = blur(truth, question.first) - blur(truth, question.second)
            if abs(better) <= same_below:
                return heard(Meaning.SAME)
            return heard(Meaning.SECOND if better > 0 else Meaning.FIRST)
        if isinstance(question, AcuityQuestion):
            feet = 20 * (1 + blur(truth, question.lens) ** 2)
            line = next((line for line in LINES if line >= feet - 0.5), None)
            return heard(Meaning.NO) if line is None else heard(Meaning.SET_ACUITY, f"20/{line}")
        assert isinstance(question, Legible)
        return heard(Meaning.NO if blur(truth, question.lens) >= 0.75 - 1e-9 else Meaning.YES)

    return sees


def apart(one: int, other: int) -> int:
    """Degrees between two axes, 0-90."""
    return min((one - other) % 180, (other - one) % 180)


def cylinder_vector(lens: Lens) -> PowerVector:
    """What a cross cylinder adds to the lens it is held before."""
    return lens.vector.minus(lens.with_cross(None).vector)


def is_opposite(one: PowerVector, other: PowerVector) -> bool:
    return math.isclose(one.m, 0, abs_tol=1e-12) and all(
        math.isclose(a, -b, abs_tol=1e-12) for a, b in zip(one, other, strict=True)
    )

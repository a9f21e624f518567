"""Answers for testing evidence: of an ideal observer, of virtual patients, of an exam."""

from __future__ import annotations

import math

from assistant.evidence.together import weigh
from assistant.optics.lens import CrossCylinder, Lens, wrap_axis
from assistant.optics.power_vector import PowerVector
from assistant.patients.cohort import Cohort, draw_patient, sit
from assistant.patients.eye import smallest_line
from assistant.protocol.exam import Exam
from assistant.protocol.meanings import Heard, Meaning, Outcome
from assistant.protocol.progress import EyeProgress
from assistant.protocol.questions import AcuityQuestion, Choice, Eye, Legible, Question

Pairs = tuple[tuple[Question, Heard], ...]


def heard(meaning: Meaning, value: str | None = None, hedged: bool = False) -> Heard:
    return Heard("", Outcome.HEARD, meaning, value, hedged=hedged)


def choice(first: Lens, second: Lens, meaning: Meaning, hedged: bool = False) -> tuple[Question, Heard]:
    return Choice(Eye.RIGHT, "sphere", first, second), heard(meaning, hedged=hedged)


def ideal_choice(first: Lens, second: Lens, truth: PowerVector) -> tuple[Question, Heard]:
    """As an eye answers that sees blur as the length of the error (Thibos 1997), differences from 0.05 D on."""
    gain = first.vector.minus(truth).blur - second.vector.minus(truth).blur
    return choice(first, second, Meaning.SAME if abs(gain) < 0.05 else Meaning.SECOND if gain > 0 else Meaning.FIRST)


def ideal_reading(lens: Lens, truth: PowerVector) -> tuple[Question, Heard]:
    """MAR grows as 1 + b² (R. Blendowske, Optom Vis Sci 2015)."""
    line = smallest_line(math.log10(1 + lens.vector.minus(truth).blur ** 2))
    said = heard(Meaning.NO) if line is None else heard(Meaning.SET_ACUITY, line)
    return AcuityQuestion(Eye.RIGHT, "acuity", lens), said


def ideal_letter(lens: Lens, line: str, truth: PowerVector) -> tuple[Question, Heard]:
    """A 20/20 eye loses the 20/20 line at three clicks of plus (common practice, no source)."""
    spare = math.log10(int(line[3:]) / 20) - math.log10(1 + lens.vector.minus(truth).blur ** 2) + 0.15
    return Legible(Eye.RIGHT, "over_minus", lens, line), heard(Meaning.YES if spare >= 0 else Meaning.NO)


def around(truth: PowerVector, lens: Lens) -> Pairs:
    """An ideal observer's answers about a lens: sphere, cross cylinder on axis and on power, letters."""
    pairs = [ideal_reading(lens, truth)]
    for step in (-100, -50, -25, 25, 50, 100):
        pairs.append(ideal_choice(lens, lens.with_sphere(lens.sphere + step), truth))
    for degrees in (-20, -10, 0, 10, 20):
        at = lens.with_axis(lens.axis + degrees)
        for mark in (at.axis + 45, at.axis):
            cross = CrossCylinder(25, wrap_axis(mark))
            pairs.append(ideal_choice(at.with_cross(cross), at.with_cross(cross.flipped()), truth))
    for clicks in (2, 3, 4):
        pairs.append(ideal_letter(lens.with_sphere(lens.sphere + 25 * clicks), "20/20", truth))
    return tuple(pairs)


def sat(cohort: Cohort, number: int) -> tuple[Exam, list[tuple[EyeProgress, Lens | None, PowerVector]]]:
    """A virtual patient's exam: of each eye where it came to, what it began from, and what it needs."""
    person, start = draw_patient(cohort, number)
    exam = Exam(start, weigh)
    sit(person, exam, number)
    return exam, [
        (exam.state.right, start.right.lens, person.right.correction),
        (exam.state.left, start.left.lens, person.left.correction),
    ]

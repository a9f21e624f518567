"""What an utterance can mean, and what the hearing side hands to the exam.

The names are the contract's: they stand in the grammar files' tags, in the log and in every report.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Meaning(str, Enum):
    """One meaning an utterance can have. The value is the name used in grammars, logs and JSON."""

    # answers
    FIRST = "first"
    SECOND = "second"
    SAME = "same"
    UNSURE = "unsure"
    AGAIN = "again"
    YES = "yes"
    NO = "no"
    # the examiner's own question ("better one or better two"): heard, never an answer
    QUESTION = "question"
    # commands and answers with a number
    SET_SPHERE = "set_sphere"
    SET_CYLINDER = "set_cylinder"
    SET_AXIS = "set_axis"
    SET_ACUITY = "set_acuity"
    SET_PD = "set_pd"
    SET_ADD = "set_add"
    SET_AGE = "set_age"
    SET_NEAR_PD = "set_near_pd"
    SET_VERTEX = "set_vertex"
    POWER_AT = "power_at"
    # commands
    UNDO = "undo"
    REPEAT = "repeat"
    READ_BACK = "read_back"
    NEXT = "next"
    CONFIRM = "confirm"
    SKIP = "skip"
    PAUSE = "pause"
    RESUME = "resume"
    SWITCH_EYE = "switch_eye"
    FINISH = "finish"
    NOTE = "note"
    WHY = "why"
    REFINE = "refine"
    RECHECK = "recheck"
    NEAR = "near"
    INTERMEDIATE = "intermediate"
    BALANCE = "balance"
    DUOCHROME = "duochrome"
    TRANSPOSE = "transpose"
    CYLINDER_BY = "cylinder_by"
    # what the patient came with
    RED_FLAG = "red_flag"
    REASON = "reason"

    def __str__(self) -> str:
        return self.value


CHOICE_ANSWERS = frozenset({Meaning.FIRST, Meaning.SECOND, Meaning.SAME, Meaning.UNSURE})
LEGIBLE_ANSWERS = frozenset({Meaning.YES, Meaning.NO, Meaning.UNSURE})


class Outcome(str, Enum):
    """How a piece of listening ended. Each has its own next move; none of them is a bare None."""

    HEARD = "heard"  # a meaning, sure enough to act on
    OUT_OF_RANGE = "out_of_range"  # understood, but the number is not one the dials have
    NOT_UNDERSTOOD = "not_understood"  # speech outside the grammar
    DOUBTFUL = "doubtful"  # a meaning, but not sure enough to act on
    SILENCE = "silence"  # nothing was said in the time an answer may take


class Speaker(str, Enum):
    PATIENT = "patient"
    EXAMINER = "examiner"


@dataclass(frozen=True)
class Heard:
    """One utterance as the exam receives it.

    meaning  None only where the outcome is NOT_UNDERSTOOD or SILENCE.
    value    for meanings with a number: sphere, cylinder and add in hundredths of a dioptre, axis in degrees, PD and
             vertex distance in millimetres, age in years, acuity as a Snellen fraction in feet such as "20/25"; the
             words of a note or a reason as text. For switch_eye and recheck "right" or "left" where it was said; for
             red_flag its code (`plan.RED_FLAGS`); for cylinder_by "dial" or "cross".
    by       who spoke, or None where one microphone cannot tell.
    score    natural-log likelihood ratio or similar, engine's own scale; None where typed.
    after    seconds from the end of the question to the start of speech; None where unknown.
    hedged   the words or the voice hesitated ("um, two I think").
    typed    it was typed, so it was meant for the assistant.
    """

    text: str
    outcome: Outcome
    meaning: Meaning | None = None
    value: int | float | str | None = None
    by: Speaker | None = None
    score: float | None = None
    after: float | None = None
    hedged: bool = False
    typed: bool = False

    def __post_init__(self) -> None:
        if self.outcome is Outcome.HEARD and self.meaning is None:
            raise ValueError("meaning: an utterance that was heard has one")
        if self.outcome is Outcome.SILENCE and self.meaning is not None:
            raise ValueError("meaning: silence has none")

    @property
    def accepted(self) -> bool:
        return self.outcome is Outcome.HEARD

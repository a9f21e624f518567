"""What the exam asks, as values. The wording lives in `assistant.grammar.wording`; here is only what is meant."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from ..optics.lens import Lens


class Eye(str, Enum):
    RIGHT = "right"
    LEFT = "left"
    BOTH = "both"

    def __str__(self) -> str:
        return self.value

    @property
    def other(self) -> Eye:
        return {Eye.RIGHT: Eye.LEFT, Eye.LEFT: Eye.RIGHT, Eye.BOTH: Eye.BOTH}[self]


@dataclass(frozen=True)
class Choice:
    """ "One or two?": the answer means the lens, never a position on an instrument.

    `first` is before the eye when the question is asked, `second` is the new one.
    """

    eye: Eye
    step: str
    first: Lens
    second: Lens

    form = "choice"


@dataclass(frozen=True)
class Legible:
    """ "Can you read any letter on this line?" through `lens`; `line` is a Snellen fraction in feet, "20/20"."""

    eye: Eye
    step: str
    lens: Lens
    line: str

    form = "legible"


@dataclass(frozen=True)
class AcuityQuestion:
    """ "What is the smallest line you can read?" through `lens`; the answer is a line such as "20/25"."""

    eye: Eye
    step: str
    lens: Lens

    form = "acuity"


@dataclass(frozen=True)
class Value:
    """A number or words for the record; `of` names it: "pd", "age" ... Can always be answered *skip*."""

    eye: Eye
    step: str
    of: str

    form = "value"


@dataclass(frozen=True)
class Confirm:
    """Something read back for the examiner to confirm; `what` names it."""

    eye: Eye
    step: str
    what: str

    form = "confirm"


Question = Choice | Legible | AcuityQuestion | Value | Confirm

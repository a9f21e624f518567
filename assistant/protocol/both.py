"""The two eyes together: what the steps with both eyes share and leave behind."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

from ..optics.lens import Lens
from .effects import Flag
from .eye import EyeState
from .meanings import Heard
from .questions import Eye, Question


@dataclass(frozen=True)
class BothState:
    """Both eyes with their distance lenses, and what was found with them together.

    age, amplitude    years; measured amplitude of accommodation in dioptres; None where unknown
    working_distance  centimetres
    add, intermediate hundredths of a dioptre, the same for both eyes
    acuity, near_acuity  lines read by both eyes, Snellen fractions in feet
    """

    right: EyeState
    left: EyeState
    age: int | None = None
    amplitude: float | None = None
    working_distance: int = 40
    dominant: Eye | None = None
    add: int | None = None
    intermediate: int | None = None
    acuity: str | None = None
    near_acuity: str | None = None

    def of(self, eye: Eye) -> EyeState:
        return self.left if eye is Eye.LEFT else self.right

    def to(self, eye: Eye, lens: Lens) -> BothState:
        """With another lens before one eye."""
        return self.put(self.of(eye).to(lens))

    def put(self, eye: EyeState) -> BothState:
        """With one eye's new state."""
        return replace(self, right=eye) if eye.eye is Eye.RIGHT else replace(self, left=eye)


@dataclass(frozen=True)
class BothMove:
    """What follows from an answer: the step's next state, the eyes' next state, and flags raised."""

    step: BothStep
    both: BothState
    flags: tuple[Flag, ...] = ()


class BothStep(Protocol):
    """A step with both eyes, as a value."""

    @property
    def id(self) -> str: ...

    def ask(self, both: BothState) -> Question | None:
        """The next question, or None when the step is done."""

    def answer(self, both: BothState, heard: Heard) -> BothMove:
        """Take an accepted answer to the question last asked."""

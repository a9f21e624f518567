"""What every step is to the exam."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from ..effects import Flag
from ..eye import EyeState
from ..meanings import Heard, Meaning
from ..questions import Question


@dataclass(frozen=True)
class Move:
    """What follows from an answer: the step's next state, the eye's next state, and flags raised."""

    step: Step
    eye: EyeState
    flags: tuple[Flag, ...] = ()


class Step(Protocol):
    """A step of one eye's exam, as a value."""

    @property
    def id(self) -> str: ...

    def ask(self, eye: EyeState) -> Question | None:
        """The next question, or None when the step is done."""

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        """Take an accepted answer to the question last asked."""

    def rebased(self, eye: EyeState) -> Step:
        """The step begun anew from the lens now before the eye (a dial was set by command)."""


EQUAL = frozenset({Meaning.SAME, Meaning.UNSURE})

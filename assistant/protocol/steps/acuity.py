"""Acuity: the line read before a lens is moved, and the best line at the end."""

from __future__ import annotations

from dataclasses import dataclass, replace

from .. import plan
from ..eye import EyeState
from ..meanings import Heard, Meaning
from ..questions import AcuityQuestion
from .base import Move


def read_through(eye: EyeState, heard: Heard) -> EyeState:
    """The eye with the line it has just read through the lens before it.

    "I can't read any" is poorer than the largest line; "can't tell" leaves the line unknown.
    """
    if heard.meaning is Meaning.SET_ACUITY:
        line = str(heard.value)
    elif heard.meaning is Meaning.NO:
        line = plan.NO_LINE
    else:
        return replace(eye, line_refused=True)
    return replace(eye, line=line, line_lens=eye.lens, line_refused=False)


@dataclass(frozen=True)
class AcuityStep:
    """`id` is "entering" (before a lens is touched) or "acuity" (with the final lens)."""

    id: str
    done: bool = False

    def rebased(self, eye: EyeState) -> AcuityStep:
        return replace(self, done=False)

    def ask(self, eye: EyeState) -> AcuityQuestion | None:
        if self.done or (self.id == "acuity" and eye.line_here is not None):
            return None
        return AcuityQuestion(eye.eye, self.id, eye.lens)

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        eye = read_through(eye, heard)
        if self.id == "entering":
            eye = replace(eye, entering=eye.line_here)
        return Move(replace(self, done=True), eye)

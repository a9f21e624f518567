"""Lines read under another condition than the lens before the eye: without any, through a pinhole, through plus."""

from __future__ import annotations

from dataclasses import dataclass, replace

from ...optics.lens import Lens
from .. import plan
from ..eye import EyeState
from ..meanings import Heard
from ..questions import AcuityQuestion
from .acuity import read_through
from .base import Move


@dataclass(frozen=True)
class Unaided:
    """The acuity without any lens, before the starting lens goes in."""

    done: bool = False

    id = "unaided"

    def rebased(self, eye: EyeState) -> Unaided:
        return self

    def ask(self, eye: EyeState) -> AcuityQuestion | None:
        return None if self.done else AcuityQuestion(eye.eye, self.id, Lens(0))

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        return Move(replace(self, done=True), replace(eye, unaided=_line(eye, heard)))


@dataclass(frozen=True)
class Pinhole:
    """The best line once more, through a pinhole: a gain points to blur that no lens here took away.

    Without a gain the eye needs another explanation. Either way the assistant prompts to refer; it explains
    nothing away (common practice).
    """

    done: bool = False

    id = "pinhole"

    def rebased(self, eye: EyeState) -> Pinhole:
        return self

    def ask(self, eye: EyeState) -> AcuityQuestion | None:
        return None if self.done else AcuityQuestion(eye.eye, self.id, eye.lens)

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        return Move(replace(self, done=True), replace(eye, pinhole=_line(eye, heard)))


@dataclass(frozen=True)
class PlusCheck:
    """The line through one dioptre of plus over the lens: read too well, too little plus may be in (`plan`)."""

    done: bool = False

    id = "plus_check"

    def rebased(self, eye: EyeState) -> PlusCheck:
        return self

    def ask(self, eye: EyeState) -> AcuityQuestion | None:
        return None if self.done else AcuityQuestion(eye.eye, self.id, through_plus(eye.lens))

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        return Move(replace(self, done=True), eye)  # the answers have it


def through_plus(lens: Lens) -> Lens:
    return lens.with_sphere(lens.sphere + plan.PLUS_CHECK)


def _line(eye: EyeState, heard: Heard) -> str | None:
    """The line of an answer; None where the patient could not say which."""
    read = read_through(eye, heard)
    return None if read.line_refused else read.line

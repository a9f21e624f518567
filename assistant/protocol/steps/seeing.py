"""Lines read under another condition than the lens before the eye: without any, through a pinhole, through plus."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

from ...optics.lens import Lens
from .. import plan
from ..eye import EyeState
from ..meanings import Heard
from ..questions import AcuityQuestion
from .acuity import read_through
from .base import Move


@dataclass(frozen=True)
class _OneLine:
    """A step of one question: the line through a lens; nothing of it stays but what the answer leaves behind."""

    done: bool = False

    id: ClassVar[str]

    def rebased(self, eye: EyeState) -> _OneLine:
        return self

    def ask(self, eye: EyeState) -> AcuityQuestion | None:
        return None if self.done else AcuityQuestion(eye.eye, self.id, self._through(eye))

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        return Move(replace(self, done=True), self._after(eye, heard))

    def _through(self, eye: EyeState) -> Lens:
        return eye.lens

    def _after(self, eye: EyeState, heard: Heard) -> EyeState:
        return eye  # the answers have it


class Unaided(_OneLine):
    """The acuity without any lens, before the starting lens goes in."""

    id = "unaided"

    def _through(self, eye: EyeState) -> Lens:
        return Lens(0)

    def _after(self, eye: EyeState, heard: Heard) -> EyeState:
        return replace(eye, unaided=_line(eye, heard))


class Pinhole(_OneLine):
    """The best line once more, through a pinhole: a gain points to blur that no lens here took away.

    Without a gain the eye needs another explanation. Either way the assistant prompts to refer; it explains
    nothing away (common practice).
    """

    id = "pinhole"

    def _after(self, eye: EyeState, heard: Heard) -> EyeState:
        return replace(eye, pinhole=_line(eye, heard))


class PlusCheck(_OneLine):
    """The line through one dioptre of plus over the lens: read too well, too little plus may be in (`plan`)."""

    id = "plus_check"

    def _through(self, eye: EyeState) -> Lens:
        return through_plus(eye.lens)


def through_plus(lens: Lens) -> Lens:
    """The lens with the plus of the check over it."""
    return lens.with_sphere(lens.sphere + plan.PLUS_CHECK)


def _line(eye: EyeState, heard: Heard) -> str | None:
    """The line of an answer; None where the patient could not say which."""
    read = read_through(eye, heard)
    return None if read.line_refused else read.line

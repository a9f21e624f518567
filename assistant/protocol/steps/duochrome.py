"""Red against green, as an optional check at the end of an eye.

Red light focuses about a quarter dioptre behind green: letters clearer on red ask for a quarter of minus, clearer
on green for a quarter of plus, equal ends it; not below 20/30 (clinical procedures handbook). As a choice of
lenses, "one, red" is the lens a quarter more minus and "two, green" a quarter more plus: what a patient answers
about the colours is what they would answer about those lenses. The dials stay until the answer.

One click at most, and it is taken back where the next answer turns round: this check confirms a sphere, it does
not find one, and an eye that focuses would walk into minus on it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from ...optics.lens import CLICK
from ..effects import Flag
from ..eye import EyeState, sphere_within
from ..meanings import Heard, Meaning
from ..questions import Choice
from .base import EQUAL, Move


@dataclass(frozen=True)
class Duochrome:
    """`moved` is the click already given, +1 or -1; 0: none yet."""

    moved: int = 0
    done: bool = False

    id = "duochrome"

    def rebased(self, eye: EyeState) -> Duochrome:
        return Duochrome()

    def ask(self, eye: EyeState) -> Choice | None:
        sphere = eye.lens.sphere
        if self.done or not (sphere_within(sphere - CLICK) and sphere_within(sphere + CLICK)):
            return None
        return Choice(eye.eye, self.id, eye.lens.with_sphere(sphere - CLICK), eye.lens.with_sphere(sphere + CLICK))

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        if heard.meaning in EQUAL:
            return Move(replace(self, done=True), eye)
        way = -1 if heard.meaning is Meaning.FIRST else 1
        if not self.moved:
            return Move(replace(self, moved=way), eye.to(eye.lens.with_sphere(eye.lens.sphere + way * CLICK)))
        ended = replace(self, done=True)
        if way != self.moved:  # turned round: the click between is of no consequence, and plus has it
            sphere = max(eye.lens.sphere, eye.lens.sphere - self.moved * CLICK)
            return Move(ended, eye.to(eye.lens.with_sphere(sphere)))
        back = eye.to(eye.lens.with_sphere(eye.lens.sphere - self.moved * CLICK))
        flag = Flag("duochrome_disagrees", eye.eye, {"side": "red" if way < 0 else "green"})
        return Move(ended, back, (flag,))

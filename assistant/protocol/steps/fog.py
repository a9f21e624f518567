"""Fog first: an eye that focuses sees well through a starting lens of too much minus, so it is met from the plus side.

Plus goes in over the starting lens until a line is lost: behind plus focusing only blurs more, so the eye rests. Then
the plus comes out again by somewhat less than the blur that the line tells of, and stays wherever it costs hardly a
line: the most plus that leaves the best line (maximum plus for best acuity, common practice, no source). Letters lead
it there, not pairs, as a young eye likes the stronger minus; one pair, of a quarter, then tells whether the last of the
fog should go.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from ...optics.lens import CLICK
from .. import plan
from ..eye import EyeState, line_feet, sharp, sphere_within
from ..meanings import Heard, Meaning
from ..questions import AcuityQuestion, Choice, Question
from .acuity import read_through
from .base import Move, Step
from .coarse_sphere import CoarseSphere


def coarse(eye: EyeState) -> Step:
    """How the sphere is brought near: out of fog where the starting lens may hide too much minus."""
    line = eye.line_here
    fogged = eye.lens.sphere + plan.FOG
    if line is not None and sharp(line) and eye.may_hide_minus and not eye.rounds and sphere_within(fogged):
        return Fog(line, eye.lens.sphere, fogged)
    return CoarseSphere.begin(eye)


@dataclass(frozen=True)
class Fog:
    """How far the plus is in, and which way it goes.

    line    the line read before the fog
    clear   the sphere of most plus through which that line was read, D/100: the fog goes no farther back; `gone`: it is
            more plus than the starting lens has
    at      the sphere through which a line is read now; `back`: the plus is coming out again
    left    that is where the sphere is left, and a quarter less plus is offered
    asked   lines read through fog
    """

    line: str
    clear: int
    at: int
    asked: int = 0
    gone: bool = False
    back: bool = False
    left: bool = False
    done: bool = False

    id = "sphere"

    def rebased(self, eye: EyeState) -> Step:
        return CoarseSphere(plan.SPHERE_STEP_FAIR)  # where the examiner has set the dial, it is looked about

    def ask(self, eye: EyeState) -> Question | None:
        if self.done:
            return None
        if self.left:
            return Choice(eye.eye, self.id, eye.lens, eye.lens.with_sphere(self.at - CLICK))
        return AcuityQuestion(eye.eye, self.id, eye.lens.with_sphere(self.at))

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        if self.left:
            taken = heard.meaning is Meaning.SECOND
            sphere = self.at - CLICK if taken else self.at
            return Move(replace(self, done=True), eye.to(eye.lens.with_sphere(sphere)))
        read = read_through(eye.to(eye.lens.with_sphere(self.at)), heard)
        if read.line is None or read.line_refused:
            return Move(CoarseSphere(plan.SPHERE_STEP_FAIR), replace(eye, line_refused=True))
        here, before = line_feet(read.line), max(line_feet(self.line), plan.FOG_BEST)
        step = replace(self, asked=self.asked + 1)
        if here > plan.FOG_LOST * before:
            blur = math.sqrt((here - before) / 20)
            back = max(1, math.floor(plan.STEP_IN_BLUR * 100 * blur / CLICK)) * CLICK
            if self.at - back > self.clear:
                return Move(replace(step, at=self.at - back, back=True), eye)
            if not self.gone:  # no plus was clear: the starting lens hides little, and either side may be better
                return Move(CoarseSphere(plan.SPHERE_STEP_FAIR), eye)
            return Move(replace(step, at=self.clear, left=True), eye.to(eye.lens.with_sphere(self.clear)))
        if here <= before and not self.back and step.asked < plan.FOG_MOST and sphere_within(self.at + plan.FOG):
            # Seen through: this plus costs nothing, and the fog is still to come.
            return Move(replace(step, clear=self.at, at=self.at + plan.FOG, gone=True), eye)
        return Move(replace(step, left=True), read)

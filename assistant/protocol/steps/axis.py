"""Axis of the cylinder by cross cylinder: turn toward the minus mark of the preferred side.

The cross cylinder stands astride the axis (its marks 45 degrees from it) and is flipped: the two lenses are opposite
points on a circle in the J0/J45 plane (W.F. Harris, S Afr Optom 2007;66:41-55), so the choice tells the side on
which the true axis lies.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from ...optics.lens import CrossCylinder, wrap_axis
from .. import plan
from ..eye import EyeState
from ..meanings import Heard, Meaning
from ..questions import Choice
from .base import EQUAL, Move


@dataclass(frozen=True)
class Axis:
    """`turn` is the next turn in degrees; `last` the direction of the previous one (0: none yet).

    cross   the cross cylinder held, D/100, stronger where a pair looked the same; 0: by the acuity
    """

    id: str
    turn: int
    last: int = 0
    reversed_once: bool = False
    streak: int = 0
    cross: int = 0
    done: bool = False

    @staticmethod
    def first(eye: EyeState) -> Axis:
        turn = plan.AXIS_FIRST_TURN
        if eye.given:
            turn = max(plan.AXIS_AGAIN_TURN, plan.useful_turn(eye.lens.cylinder))
        return Axis("axis", turn)

    @staticmethod
    def again(eye: EyeState) -> Axis:
        return Axis("axis_again", plan.AXIS_AGAIN_TURN)

    def rebased(self, eye: EyeState) -> Axis:
        return replace(self, last=0, streak=0, done=False)

    def ask(self, eye: EyeState) -> Choice | None:
        if self.done or eye.lens.cylinder == 0:
            return None
        up = CrossCylinder(self.cross or eye.cross_power, wrap_axis(eye.lens.axis + 45))
        return Choice(eye.eye, self.id, eye.lens.with_cross(up), eye.lens.with_cross(up.flipped()))

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        if heard.meaning in EQUAL:
            stronger = 2 * (self.cross or eye.cross_power)
            if stronger <= eye.strongest_cross and self.last == 0:  # equal sides, or too weak a cross cylinder?
                return Move(replace(self, cross=stronger), eye)
            return self._end(eye)
        way = 1 if heard.meaning is Meaning.FIRST else -1
        turn, streak = self.turn, self.streak + 1
        halving = self.reversed_once
        if self.last and way != self.last:
            halving, streak = True, 0
        if streak * turn > plan.AXIS_ROUND + turn:
            return self._end(eye)  # past every axis there is, and never a reversal: these answers say nothing of it
        if halving:
            turn = turn // 2
        least = plan.useful_turn(eye.lens.cylinder)
        if self.id != "axis":  # the last look: half of that, for the axis that stays
            least = max(1, least // 2)
        if turn < least:
            return self._end(eye)
        moved = eye.to(eye.lens.with_axis(eye.lens.axis + way * turn))
        step = replace(self, turn=turn, last=way, streak=streak, reversed_once=halving)
        return Move(step, moved)

    def _end(self, eye: EyeState) -> Move:
        left = replace(eye, power_from=eye.lens.cylinder, focus_from=eye.lens.spherical_equivalent)
        return Move(replace(self, done=True), left)

"""What the answers leave open is asked, at the end of an eye: the pairs that tell most, until little is open.

The steps before it go by one answer at a time; an eye that tells little by a single step (poor acuity, a small pupil, a
wandering attention) leaves them far from sure. All answers together say how far. Two lenses astride the lens that they
point to, well apart, show such an eye more than that lens against its neighbour does (the bracketing of low vision:
the just-noticeable difference either way; common practice); the cross cylinder is the same thing for astigmatism.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product
from typing import Final

from ...optics.lens import CLICK, CrossCylinder, wrap_axis
from ...optics.power_vector import PowerVector
from .. import plan
from ..eye import EyeState, on_the_dials, sharp
from ..meanings import Heard
from ..questions import AcuityQuestion, Choice, Question
from ..weighing import Said
from .acuity import read_through
from .base import Move

_NOTHING: Final = PowerVector(0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Settle:
    """`question` is the one that tells most now, None when enough is known; `put` have been answered.

    The same letters are not read twice through a lens, as they are remembered; the same pair is shown twice at most.
    `cylinder`: that is looked for, too. `deviations`: by so many of M the lens is to be within a click (`plan`).
    """

    question: Question | None = None
    put: tuple[Question, ...] = ()
    cylinder: bool = True
    deviations: float = plan.CLICK_DEVIATIONS

    id = "settle"

    def rebased(self, eye: EyeState) -> Settle:
        return replace(self, question=None)

    def ask(self, eye: EyeState) -> Question | None:
        return self.question

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        if isinstance(self.question, AcuityQuestion) and self.question.lens == eye.lens:
            eye = read_through(eye, heard)
        put = self.put if self.question is None else (*self.put, self.question)
        return Move(replace(self, question=None, put=put), eye)

    def following(self, eye: EyeState, said: Said | None) -> Settle:
        """With the question that tells most now; none where little is open, or enough was asked."""
        worth = self._open(eye, said)
        if said is None or len(self.put) >= plan.SETTLE_MOST or not any(worth):
            return replace(self, question=None)
        fresh = tuple(one for one in _candidates(eye, self.cylinder) if self._may_be_put(one))
        return replace(self, question=said.most_telling(fresh, worth) if fresh else None)

    def _may_be_put(self, question: Question) -> bool:
        return self.put.count(question) < (plan.SETTLE_PAIR_MOST if isinstance(question, Choice) else 1)

    def settled(self, eye: EyeState, said: Said | None) -> bool:
        """Whether what the answers say leaves little open; so it is where they say nothing."""
        return not any(self._open(eye, said))

    def _open(self, eye: EyeState, said: Said | None) -> PowerVector:
        """What it is worth to know more of each part: nothing where little is open."""
        if said is None:
            return _NOTHING
        spread = said.spread
        focus = spread.m > min(plan.SETTLED_M, self._little(eye, said))
        cylinder = self.cylinder and max(spread.j0, spread.j45) > plan.SETTLED_J
        return PowerVector(plan.SETTLE_SPHERE_WORTH * focus, float(cylinder), float(cylinder))

    def _little(self, eye: EyeState, said: Said) -> float:
        """What is little of M, dioptres, for the click that the lens may be off, rounding included."""
        left = CLICK / 100 - abs(said.mean.m - eye.lens.vector.m)
        deviations = self.deviations
        if plan.focuses(eye.age) and sharp(eye.line if eye.given else eye.entering):
            over = eye.hides_minus(said.mean.m)
            deviations = plan.CLICK_DEVIATIONS_OVER if over else plan.CLICK_DEVIATIONS_YOUNG
        return max(left / deviations, plan.CLICK_FINEST)


def _candidates(eye: EyeState, cylinder: bool) -> Iterator[Question]:
    lens = eye.lens
    for plus, minus in product(plan.SETTLE_PLUS, plan.SETTLE_MINUS):
        more, less = lens.with_sphere(lens.sphere + plus), lens.with_sphere(lens.sphere - minus)
        if plus + minus and on_the_dials(more) and on_the_dials(less):
            yield Choice(eye.eye, Settle.id, *((more, less) if minus else (less, more)))
    for power in plan.SETTLE_CROSSES if cylinder else ():
        for axis in (lens.axis, lens.axis + 45):
            cross = CrossCylinder(power, wrap_axis(axis))
            yield Choice(eye.eye, Settle.id, lens.with_cross(cross), lens.with_cross(cross.flipped()))
    for fog in plan.SETTLE_FOGS:
        foggy = lens.with_sphere(lens.sphere + fog)
        if on_the_dials(foggy):
            yield AcuityQuestion(eye.eye, Settle.id, foggy)

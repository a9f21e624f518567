"""The evidence-led pace: the same steps, but each shows the pair that tells most, and ends when enough is known.

By the book a step goes by its last answer: this dial, that way, half as far. Led by the evidence it asks what its kind
of question can still tell of the eye, given all answers so far (`protocol.weighing.Said`): of the pairs the step may
show the one that tells most, until what the step settles is known well enough, or it has asked its share. The dials of
the step go where all answers point; the other dials stay.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Final

from ...optics.lens import CLICK, CrossCylinder, Lens, LensError, wrap_axis
from ...optics.power_vector import PowerVector
from ...optics.rounding import nearest_lens
from .. import plan
from ..eye import EyeState, on_the_dials, with_cylinder
from ..meanings import Heard
from ..questions import Choice
from ..weighing import Said
from .base import Move, Step
from .settle import Settle

IDS = frozenset(plan.LED_ENDS)
"""The steps that are led; the others (acuity, the coarse sphere, the over-minus check) go by the book at any pace."""

_SPHERE: Final = PowerVector(1.0, 0.0, 0.0)  # what an answer is worth to a step
_CYLINDER: Final = PowerVector(0.0, 1.0, 1.0)


def led(step: Step, said: Callable[[], Said | None]) -> Step:
    """The step as it goes led by the evidence; itself where it goes by the book.

    The coarse sphere goes by the book until the answers, as they are `said` to be, leave little of it open.
    """
    if isinstance(step, Led):
        return step
    if isinstance(step, Settle):
        return replace(step, deviations=plan.LED_DEVIATIONS)
    if step.id == "sphere":
        known = said()
        return Led("sphere", fresh=True) if known is not None and known.spread.m <= plan.LED_SPHERE_END else step
    return Led(step.id) if step.id in IDS else step


@dataclass(frozen=True)
class Led:
    """
    choice   the pair that tells most now; None: enough is known
    asked    pairs answered
    fresh    an answer has come in since the dials were set: they may be turned to where all answers point
    """

    id: str
    choice: Choice | None = None
    asked: int = 0
    fresh: bool = False

    def rebased(self, eye: EyeState) -> Led:
        return replace(self, choice=None, fresh=False)  # the dials were set by hand, and stay until an answer comes

    def ask(self, eye: EyeState) -> Choice | None:
        return self.choice

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        return Move(replace(self, choice=None, asked=self.asked + 1, fresh=True), eye)

    def toward(self, eye: EyeState, said: Said | None) -> Lens:
        """The lens with this step's dials where all answers point; the eye's own where they point nowhere."""
        if said is None or not self.fresh or not said.spread.blur <= plan.WEIGHED_OPEN:
            return eye.lens
        if not said.mean.minus(eye.lens.vector).blur < math.inf:
            return eye.lens
        try:
            lens = self._turned(eye.lens, said.mean)
        except LensError:
            return eye.lens
        return lens if on_the_dials(lens) else eye.lens

    def _turned(self, lens: Lens, mean: PowerVector) -> Lens:
        if self.id in ("sphere", "sphere_again"):
            clicks = round((mean.m - lens.cylinder / 200) * 100 / CLICK)
            return lens.with_sphere(clicks * CLICK)
        whole = nearest_lens(mean)
        if self.id in ("axis", "axis_again") and lens.cylinder and whole.cylinder:
            return lens.with_axis(whole.axis)
        if whole.cylinder == 0:
            return with_cylinder(lens, 0)
        return with_cylinder(lens, whole.cylinder, whole.axis)

    def following(self, eye: EyeState, said: Said | None) -> Led:
        """With the pair that tells most now; none where enough is known, or enough was asked."""
        if self.id == "sphere":
            return self
        if said is None:
            # Nothing but lines so far: any pair tells something.
            return replace(self, choice=next(iter(self._candidates(eye)), None) if self.asked == 0 else None)
        end, most = plan.LED_ENDS[self.id]
        pairs = tuple(self._candidates(eye))
        if self.asked >= most or self._open(said) <= end or not pairs:
            return replace(self, choice=None)
        choice = said.most_telling(pairs, _SPHERE if self.id == "sphere_again" else _CYLINDER)
        assert isinstance(choice, Choice)
        return replace(self, choice=choice)

    def _open(self, said: Said) -> float:
        """Standard deviation (D) of what the step settles: sphere, or cylinder along its axis, across it, or both."""
        spread, mean = said.spread, said.mean
        if self.id == "sphere_again":
            return spread.m
        if self.id == "astigmatism" or not mean.astigmatism:
            return max(spread.j0, spread.j45)
        along, across = mean.j0 / mean.astigmatism, mean.j45 / mean.astigmatism
        if self.id in ("axis", "axis_again"):
            along, across = -across, along
        return math.hypot(spread.j0 * along, spread.j45 * across)

    def _candidates(self, eye: EyeState) -> Iterator[Choice]:
        lens = eye.lens
        if self.id == "sphere_again":
            for apart in plan.LED_SPHERES:
                more, less = lens.with_sphere(lens.sphere + apart), lens.with_sphere(lens.sphere - apart)
                yield from self._legal(eye, (lens, more), (lens, less), (more, less))
            return
        if self.id == "astigmatism":
            for trial in plan.LED_TRIALS:
                for axis in plan.TRIAL_MERIDIANS:
                    half = PowerVector.of(-trial / 200, trial / 100, axis)
                    yield from self._legal(eye, (lens, nearest_lens(lens.vector.plus(half))))
            return
        turn = 45 if self.id in ("axis", "axis_again") else 0
        for power in plan.LED_CROSSES:
            cross = CrossCylinder(power, wrap_axis(lens.axis + turn))
            yield from self._legal(eye, (lens.with_cross(cross), lens.with_cross(cross.flipped())))
        if not turn:
            for apart in plan.LED_POWERS:
                for cylinder in (lens.cylinder - apart, lens.cylinder + apart):
                    if cylinder <= 0:
                        yield from self._legal(eye, (lens, with_cylinder(lens, cylinder)))

    def _legal(self, eye: EyeState, *pairs: tuple[Lens, Lens]) -> Iterator[Choice]:
        for first, second in pairs:
            if on_the_dials(first) and on_the_dials(second):
                yield Choice(eye.eye, self.id, first, second)

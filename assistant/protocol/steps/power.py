"""Power of the cylinder: half-dioptre steps while "two" comes at once, then quarters.

The first hesitation means the range is reached (common practice). A tie goes to the weaker cylinder: patients tend to take more
than they need. Half of every change goes into the sphere with the opposite sign, so the spherical equivalent holds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from .. import plan
from ..effects import Flag
from ..eye import EyeState, with_cylinder
from ..meanings import Heard, Meaning
from ..questions import Choice
from ..search import Search
from .base import Move


@dataclass(frozen=True)
class Power:
    """The search runs over the strength of the minus cylinder, D/100 >= 0."""

    id: str
    search: Search

    @staticmethod
    def first(eye: EyeState) -> Power:
        step = plan.POWER_FINEST if eye.given else plan.POWER_FIRST_STEP
        return Power("power", Search(-eye.lens.cylinder, step, 1, plan.POWER_FINEST, plan.POWER_FIRST_STEP))

    @staticmethod
    def again(eye: EyeState) -> Power:
        return Power(
            "power_again", Search(-eye.lens.cylinder, plan.POWER_FINEST, 1, plan.POWER_FINEST, plan.POWER_FIRST_STEP)
        )

    def rebased(self, eye: EyeState) -> Power:
        return replace(self, search=self.search.rebased(-eye.lens.cylinder))

    def _within(self) -> Power:
        search = self.search
        while not search.done and not 0 <= search.proposal <= -plan.CYLINDER_LOW:
            search = search.refuse()
        return replace(self, search=search)

    def ask(self, eye: EyeState) -> Choice | None:
        search = self._within().search
        if search.done:
            return None
        return Choice(eye.eye, self.id, eye.lens, with_cylinder(eye.lens, -search.proposal))

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        search = self._within().search
        # A tie goes to the weaker cylinder, whichever of the two it is.
        equal = heard.meaning is not Meaning.FIRST and heard.meaning is not Meaning.SECOND
        better = search.toward < 0 if equal else heard.meaning is Meaning.SECOND
        if better and heard.hedged and search.step > plan.POWER_FINEST:
            moved = replace(search.taken(), step=plan.POWER_FINEST, streak=0)  # the range is reached
        else:
            moved = search.taken() if better else search.refuse()
        flags: tuple[Flag, ...] = ()
        if better and moved.at == -plan.CYLINDER_LOW:
            flags = (Flag("dial_end", eye.eye, {"dial": "cylinder", "at": plan.CYLINDER_LOW}),)
        return Move(replace(self, search=moved), eye.to(with_cylinder(eye.lens, -moved.at)), flags)

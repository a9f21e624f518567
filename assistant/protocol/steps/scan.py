"""Nothing on the chart can be read, and no pair shows where the sphere is: lenses far apart are read through in turn.

Through many dioptres of blur a pair of lenses looks much alike, and an answer about it is little better than a guess.
Whether any line can be read is not: four dioptres apart, one of the lenses is within two dioptres of the focus, and
some line is read through it (MAR grows as 1 + b², R. Blendowske, Optom Vis Sci 2015: 20/100 at 2 D). An eye that reads
nothing through any of them sees poorly, whatever the sphere.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from .. import plan
from ..eye import EyeState, sphere_within
from ..meanings import Heard
from ..questions import AcuityQuestion
from .acuity import read_through
from .base import Move, Step


@dataclass(frozen=True)
class Scan:
    """`places` are the spheres (D/100) still to be read through, the first of them before the eye; `came_from` the
    sphere to go back to; `then` the search that goes on from where a line is read, or stands where none is."""

    places: tuple[int, ...]
    came_from: int
    then: Step

    id = "sphere"

    @staticmethod
    def begin(eye: EyeState, home: int, unread: frozenset[int], then: Step) -> Move | None:
        """To the first place; None where every one is near where nothing was read. `home`: where the search began."""
        steps = (way * times * plan.SCAN_APART for times in range(1, plan.SCAN_MOST) for way in (-1, 1))
        places = tuple(
            home + step
            for step in steps
            if sphere_within(home + step) and all(abs(home + step - at) > plan.SCAN_APART // 2 for at in unread)
        )[: plan.SCAN_MOST]
        if not places:
            return None
        return Move(Scan(places, eye.lens.sphere, then), _at(eye, places[0]))

    def rebased(self, eye: EyeState) -> Step:
        return self.then.rebased(eye)

    def ask(self, eye: EyeState) -> AcuityQuestion | None:
        return AcuityQuestion(eye.eye, self.id, eye.lens) if self.places else None

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        eye = read_through(eye, heard)
        if eye.line_here not in (None, plan.NO_LINE):
            return Move(self.then.rebased(eye), eye)
        left = self.places[1:]
        if left and not eye.line_refused:
            return Move(replace(self, places=left), _at(eye, left[0]))
        eye = _at(eye, self.came_from)
        return Move(replace(self, places=()), eye if eye.line is None else replace(eye, line_lens=eye.lens))


def _at(eye: EyeState, sphere: int) -> EyeState:
    return eye.to(eye.lens.with_sphere(sphere))

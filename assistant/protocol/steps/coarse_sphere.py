"""The sphere brought near, by the line read: each line tells how far to step, and what a step bought.

MAR grows as 1 + b² (R. Blendowske, Optom Vis Sci 2015), so the line read tells the blur, though not its side: a pair
tells that. A step of somewhat less than the blur stays on the near side, fogged where it came from fog, and the line
through the new lens tells the next. Plainly blurred, both sides are shown at once, the step either way. Near the focus
plus is tried first and wins a tie; minus has to buy a line each time, as an eye that focuses sees as well through too
much of it (common practice, no source).

"The same" has two causes. Both lenses are clear, or the eye focuses: plus that costs no line is kept. Or both are too
blurred to tell: the step is widened, not halved. Where no line can be read and a pair leads no farther, lines are read
through lenses far apart (`scan.py`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from .. import plan
from ..effects import Flag
from ..eye import EyeState, line_feet, sphere_within
from ..meanings import Heard, Meaning
from ..questions import AcuityQuestion, Choice, Question
from .acuity import read_through
from .base import EQUAL, Move
from .scan import Scan


@dataclass(frozen=True)
class CoarseSphere:
    """Steps of `size` (D/100) toward `way`, +1 plus or -1 minus.

    refused    ways refused at this size from here; `vague` those of them refused on an equal answer
    astride    both sides are shown at once, as the first pair of a blurred eye
    equals     plus taken on equal answers since the line was last read
    plain      the smallest size at which both ways were plainly refused, or one was and the other not wanted; 0: none
    came_from  the sphere before, while the line through the new lens is read; `line_before` the line there
    asked      questions asked
    home       the sphere from which it began; None: lenses far apart were read through already
    unread     spheres through which no line could be read
    """

    size: int
    way: int = 1
    refused: frozenset[int] = frozenset()
    vague: frozenset[int] = frozenset()
    astride: bool = False
    equals: int = 0
    plain: int = 0
    came_from: int | None = None
    line_before: str | None = None
    asked: int = 0
    done: bool = False
    home: int | None = None
    unread: frozenset[int] = frozenset()

    id = "sphere"

    @staticmethod
    def begin(eye: EyeState) -> CoarseSphere:
        """From zero or a starting point; the first step by the line read."""
        size = size_for(eye)
        young = eye.age is not None and eye.age < plan.FOGGED_BELOW and not eye.given
        if size <= plan.SPHERE_FINEST_FIRST and young:
            size = plan.SPHERE_STEP_POOR  # fog first: an eye that focuses shows it by seeing alike through plus
        return CoarseSphere(size, astride=size > plan.SPHERE_STEP_POOR, home=eye.lens.sphere)

    def rebased(self, eye: EyeState) -> CoarseSphere:
        size = self.size if eye.line_here is None else size_for(eye)
        return replace(CoarseSphere(size, astride=size > plan.SPHERE_STEP_POOR), asked=self.asked, home=self.home)

    def ask(self, eye: EyeState) -> Question | None:
        if self.came_from is not None:
            return AcuityQuestion(eye.eye, self.id, eye.lens)
        step = self._within(eye)
        if step.done:
            return None
        if step._both(eye):
            more, less = (eye.lens.sphere + way * step.size for way in (1, -1))
            return Choice(eye.eye, self.id, eye.lens.with_sphere(more), eye.lens.with_sphere(less))
        return Choice(eye.eye, self.id, eye.lens, eye.lens.with_sphere(eye.lens.sphere + step.way * step.size))

    def _within(self, eye: EyeState) -> CoarseSphere:
        """Past over what the dial does not reach."""
        step = self
        while not step.done and not sphere_within(eye.lens.sphere + step.way * step.size):
            step = step._refuse(eye, vague=False)
        return step

    def _both(self, eye: EyeState) -> bool:
        return self.astride and all(sphere_within(eye.lens.sphere + way * self.size) for way in (1, -1))

    def answer(self, eye: EyeState, heard: Heard) -> Move:
        move = self._answered(eye, heard)
        step, eye = move.step, move.eye
        if eye.line_here != plan.NO_LINE or self.home is None or not isinstance(step, CoarseSphere):
            return move
        step = step if step.came_from is not None else step._within(eye)
        step = replace(step, unread=step.unread | {eye.lens.sphere})
        scan = Scan.begin(eye, self.home, step.unread, replace(step, home=None)) if step.done else None
        return replace(scan or replace(move, step=step), flags=move.flags)

    def _answered(self, eye: EyeState, heard: Heard) -> Move:
        step = replace(self, asked=self.asked + 1, done=self.asked + 1 >= plan.COARSE_MOST)
        if self.came_from is not None:
            return replace(step, came_from=None)._read(read_through(eye, heard), self.came_from)
        step = step._within(eye)
        if step._both(eye):
            apart = replace(step, astride=False)
            if heard.meaning in EQUAL:
                return Move(apart, eye)
            way = 1 if heard.meaning is Meaning.FIRST else -1
            return replace(apart, way=way)._to(eye, way * step.size)
        if heard.meaning is Meaning.SECOND:
            return step._to(eye, step.way * step.size)
        if heard.meaning not in EQUAL:
            return Move(step._refuse(eye, vague=False), eye)
        told = not eye.line_refused and eye.line_here not in (None, plan.NO_LINE)
        if step.way < 0 or (eye.blurred and not told):
            return Move(step._refuse(eye, vague=True), eye)
        # Plus that costs nothing: the line will tell.
        return replace(step, equals=step.equals + 1)._to(eye, step.size)

    def _to(self, eye: EyeState, by: int) -> Move:
        """To the lens preferred, or alike; the line through it is read next, where lines are told."""
        sphere = eye.lens.sphere + by
        moved = eye.to(eye.lens.with_sphere(sphere))
        flags: tuple[Flag, ...] = ()
        if not sphere_within(sphere + (1 if by > 0 else -1) * plan.SPHERE_FINEST):
            flags = (Flag("dial_end", eye.eye, {"dial": "sphere", "at": sphere}),)
        fresh = replace(self, refused=frozenset({-self.way}), vague=frozenset())
        quiet = by > 0 and by <= plan.SPHERE_STEP_POOR and self.equals < plan.EQUAL_RUN and not eye.blurred
        if eye.line_refused or quiet:
            return Move(fresh, moved, flags)
        # What is gone back to is where the line was last read.
        line, at = (eye.line, eye.line_lens) if eye.line_lens is not None else (None, eye.lens)
        known = at if at is not None and at.with_sphere(0) == eye.lens.with_sphere(0) else eye.lens
        return Move(replace(fresh, came_from=known.sphere, line_before=line), moved, flags)

    def _read(self, eye: EyeState, came_from: int) -> Move:
        """What the step bought, and how far to go on."""
        here, before = eye.line_here, self.line_before
        if here is None:
            return Move(self, eye)
        toward = 1 if eye.lens.sphere > came_from else -1
        worse = before is not None and line_feet(here) > plan.WORSE_BY * line_feet(before)
        off_chart = here == before == plan.NO_LINE  # letters cannot tell there, but the pair did
        gained = off_chart or before is None or line_feet(here) < line_feet(before)
        step = replace(self, equals=0)
        if worse or (toward < 0 and not gained):
            lens = eye.lens.with_sphere(came_from)
            back = replace(eye, lens=lens, line=before, line_lens=lens)
            return Move(replace(step, refused=frozenset(), way=toward)._refuse(back, vague=False), back)
        size = min(self.size, size_for(eye))
        refused = self.refused if size == self.size else frozenset()
        return Move(replace(step, size=size, way=toward, refused=refused), eye)

    def _refuse(self, eye: EyeState, vague: bool) -> CoarseSphere:
        refused = self.refused | {self.way}
        blind = self.vague | {self.way} if vague else self.vague
        step = replace(self, refused=refused, vague=blind, way=-self.way)
        if len(refused) < 2:
            return step
        if eye.line_here == plan.NO_LINE and self.home is not None:
            return replace(step, done=True)  # it leads no farther, whatever the answers: see `answer`
        fresh = replace(step, refused=frozenset(), vague=frozenset(), way=1)
        if blind and len(blind) == len(self.vague | {self.way, -self.way}):  # no difference either way
            wider = min(2 * self.size, plan.SPHERE_WIDEST)
            if (self.plain and self.plain <= wider) or wider == self.size:
                return replace(fresh, done=True)
            return replace(fresh, size=wider)
        # A blur that the sphere's error, by now half a step at most, is a small part of: the rest is astigmatism.
        told = eye.line_here is not None and size_for(eye) >= self.size > plan.SPHERE_FINEST_FIRST
        if self.size <= plan.SPHERE_FINEST_FIRST or (told and self.size <= plan.COARSE_ENOUGH):
            return replace(fresh, done=True)
        return replace(fresh, size=_clicks(self.size / 2), plain=self.size)


def size_for(eye: EyeState) -> int:
    """The step for the line last read, D/100: three quarters of the blur it tells of."""
    line = eye.line
    if line is None or (eye.given and eye.line_lens is None):
        return plan.SPHERE_STEP_FAIR if eye.given else plan.SPHERE_STEP_POOR
    blur = math.sqrt(max(0.0, line_feet(line) / 20 - 1))
    return _clicks(100 * plan.STEP_IN_BLUR * blur)


def _clicks(size: float) -> int:
    """In whole half dioptres, within what a step may be."""
    half = plan.SPHERE_FINEST_FIRST
    return max(half, min(plan.SPHERE_WIDEST, half * math.floor(size / half + 0.5)))

"""What an exam comes to: the draft, its comparison with the start, and the cautions it ends with.

Pure functions of the exam's state. The cut-offs stand in `plan`; every caution carries the numbers it rests on,
and none of them is explained away.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..optics.acuity import Acuity
from ..optics.lens import Lens
from ..optics.near import NearError, published_range
from ..optics.power_vector import PowerVector
from . import plan
from .consistency import PERSON_DOUBTED
from .effects import EyeResult, Flag, Prescribe
from .progress import EyeProgress, State
from .questions import Eye
from .start import Start, StartEye

EYES = (Eye.RIGHT, Eye.LEFT)


# ------------------------------------------------------------------------------------------ against the start
@dataclass(frozen=True)
class Change:
    """A lens against the one before it: what is new less what was, dioptres; `swing` of the axis in degrees (0-90),
    None where either has no cylinder."""

    before: Lens
    after: Lens

    @property
    def vector(self) -> PowerVector:
        return self.after.vector.minus(self.before.vector)

    @property
    def largest(self) -> float:
        """The largest change of power along any meridian, dioptres."""
        return abs(self.vector.m) + self.vector.astigmatism

    @property
    def swing(self) -> int | None:
        if not (self.before.cylinder and self.after.cylinder):
            return None
        return abs((self.after.axis - self.before.axis + 90) % 180 - 90)


def before(eye: StartEye) -> Lens | None:
    """What the draft is compared with: the glasses worn, else the starting lens."""
    return eye.glasses or eye.lens


def changes(state: State, start: Start) -> dict[Eye, Change]:
    """How each examined eye's lens differs from what it had before, where it had something."""
    made = {}
    for eye in EYES:
        progress, had = state.of(eye), before(start.eye(eye))
        if progress.begun and had is not None:
            made[eye] = Change(had, progress.state.lens)
    return made


# ------------------------------------------------------------------------------------------------- the draft
def near_pd(state: State, working_distance: int) -> float | None:
    """Near PD in millimetres, reckoned from the distance PD: the lines of sight meet at the working distance.

    They cross the spectacle plane `ROTATION_BEHIND_LENS` before the centres of rotation; to half a millimetre.
    """
    if state.room.pd is None:
        return None
    away = working_distance * 10
    return round(2 * state.room.pd * away / (away + plan.ROTATION_BEHIND_LENS)) / 2


def prescription(state: State, start: Start) -> Prescribe:
    """The draft as it stands."""
    room, together = state.room, state.together
    computed = room.near_pd is None and bool(together.add)
    distance = start.manner.working_distance
    return Prescribe(
        _result(state.right, state, start),
        _result(state.left, state, start),
        room.pd,
        state.confirmed,
        near_pd=near_pd(state, distance) if computed else room.near_pd,
        near_pd_computed=computed and room.pd is not None,
        vertex=room.vertex,
        acuity_both=together.acuity,
        near_acuity=together.near_acuity,
        working_distance=distance if together.add is not None else None,
        cautions=tuple(
            flag.code if flag.eye is Eye.BOTH else f"{flag.code}:{flag.eye}" for flag in cautions(state, start)
        ),
    )


def _result(progress: EyeProgress, state: State, start: Start) -> EyeResult:
    eye, lens = progress.state, progress.state.lens
    seen = progress.begun or eye.given
    change = changes(state, start).get(eye.eye)
    return EyeResult(
        sphere=lens.sphere if seen else None,
        cylinder=lens.cylinder if seen else None,
        axis=lens.axis if seen and lens.cylinder else None,
        add=state.together.add if seen else None,
        acuity=eye.line_here,
        entering_acuity=eye.entering,
        complete=progress.complete,
        unaided_acuity=eye.unaided,
        pinhole_acuity=eye.pinhole,
        intermediate=state.together.intermediate if seen else None,
        examined=progress.begun,
        change=None if change is None else {name: round(part, 3) for name, part in change.vector._asdict().items()},
        over_minus=_over_minus(progress),
    )


def _over_minus(progress: EyeProgress) -> dict[str, object] | None:
    line, plus = progress.through_plus or (None, None)
    unreadable = progress.unreadable_plus
    return None if line is None and unreadable is None else {"unreadable": unreadable, "line": line, "plus": plus}


# ---------------------------------------------------------------------------------------------------- cautions
def cautions(state: State, start: Start) -> tuple[Flag, ...]:
    """Every caution the draft deserves as it stands, each eye's first."""
    flags: list[Flag] = []
    for eye in EYES:
        flags += _incomplete(state.of(eye))
    for eye in EYES:
        flags += _poor(state.of(eye))
        flags += _reads_through_plus(state.of(eye))
        flags += _same_person(state, eye)
    flags += _two_eyes(state)
    for eye, change in changes(state, start).items():
        flags += _adaptation(eye, change, start)
    flags += _told(state)
    flags += _measures(state)
    return tuple(flags)


def _incomplete(progress: EyeProgress) -> list[Flag]:
    if not progress.begun or progress.complete:
        return []
    open_yet = progress.doubts == ("lens_open",)
    why = "open" if open_yet else "doubts" if progress.doubts else "given_up" if progress.given_up else "unfinished"
    return [Flag("incomplete", progress.state.eye, {"why": why, "doubts": progress.doubts})]


def poorer_than(line: str, limit: str) -> bool:
    return Acuity.parse(line).logmar > Acuity.parse(limit).logmar + 1e-9


def lines_differ(right: str | None, left: str | None) -> Eye | None:
    """The worse eye, where two lines or more lie between the eyes."""
    if right is None or left is None:
        return None
    apart = Acuity.parse(right).logmar - Acuity.parse(left).logmar
    if abs(apart) < plan.LINES_APART - 0.005:  # chart lines are rounded: 20/20 and 20/32 are two apart
        return None
    return Eye.RIGHT if apart > 0 else Eye.LEFT


def _poor(progress: EyeProgress) -> list[Flag]:
    line = progress.state.line_here
    if line is None or not progress.begun or not poorer_than(line, plan.REFER_BELOW):
        return []
    return [Flag("acuity_low", progress.state.eye, {"acuity": line, "pinhole": progress.state.pinhole})]


def _reads_through_plus(progress: EyeProgress) -> list[Flag]:
    """Too little plus may be in where an eye that may focus reads better through a dioptre of it than is usual."""
    line, plus = progress.through_plus or (None, 0.0)
    if (
        line is None
        or not plan.accommodates(progress.state.age)
        or 100 * plus < plan.PLUS_CHECK
        or not poorer_than(plan.PLUS_CHECK_USUAL[0], line)
    ):
        return []
    return [Flag("reads_through_plus", progress.state.eye, {"line": line, "plus": plus})]


def _same_person(state: State, eye: Eye) -> list[Flag]:
    """Who answered for one eye whatever was shown may have done so for the other: by chance such answers fit a lens
    now and then."""
    other = Eye.LEFT if eye is Eye.RIGHT else Eye.RIGHT
    if not state.of(eye).complete or PERSON_DOUBTED.isdisjoint(state.of(other).doubts):
        return []
    return [Flag("other_eye_doubted", eye, {"other": other})]


def _two_eyes(state: State) -> list[Flag]:
    right, left = state.right, state.left
    flags = []
    worse = lines_differ(right.state.line_here, left.state.line_here)
    if worse is not None:
        facts = {
            "right": right.state.line_here,
            "left": left.state.line_here,
            "worse": worse,
            "pinhole": state.of(worse).state.pinhole,
        }
        flags.append(Flag("acuity_differs", Eye.BOTH, facts))
    known = all(one.complete or (one.state.given and not one.begun) for one in (right, left))
    apart = right.state.lens.spherical_equivalent - left.state.lens.spherical_equivalent
    if known and abs(apart) >= plan.ANISOMETROPIA - 1e-9:
        equivalents = {
            "right": right.state.lens.spherical_equivalent,
            "left": left.state.lens.spherical_equivalent,
        }
        flags.append(Flag("anisometropia", Eye.BOTH, {"apart": round(abs(apart), 3), **equivalents}))
    return flags


def _adaptation(eye: Eye, change: Change, start: Start) -> list[Flag]:
    worn = start.eye(eye).glasses is not None or start.source in (None, "glasses")
    flags = []
    if change.largest >= plan.CHANGE_TO_ADAPT - 1e-9:
        facts = {"change": round(change.largest, 2), "before": change.before, "after": change.after, "worn": worn}
        flags.append(Flag("adaptation", eye, facts))
    swing = change.swing
    turned = swing is not None and swing > plan.SWING_TO_ADAPT
    if turned and -change.after.cylinder >= plan.SWING_CYLINDER:
        facts = {"swing": swing, "before": change.before, "after": change.after, "worn": worn}
        flags.append(Flag("axis_swing", eye, facts))
    return flags


def _told(state: State) -> list[Flag]:
    return [Flag("red_flag", Eye.BOTH, {"told": code}) for code in state.room.red_flags]


def _measures(state: State) -> list[Flag]:
    room, flags = state.room, []
    if room.pd is not None and not plan.PD_USUAL[0] <= room.pd <= plan.PD_USUAL[1]:
        flags.append(Flag("pd_unusual", Eye.BOTH, {"pd": room.pd, "usual": plan.PD_USUAL}))
    add, age = state.together.add, room.age
    if add is not None and state.together.limited:
        flags.append(Flag("add_at_limit", Eye.BOTH, {"add": add}))
    if add is not None and state.together.tentative:
        flags.append(Flag("add_tentative", Eye.BOTH, {"add": add}))
    if add and age is not None and age >= plan.NEAR_FROM_AGE:
        try:
            low, high = published_range(age)
        except NearError:
            return flags
        if not low <= add <= high:
            flags.append(Flag("add_unusual", Eye.BOTH, {"add": add, "age": age, "usual": (low, high)}))
    return flags


def clear_range(add: int, age: int, working_distance: int) -> tuple[int, int]:
    """(nearest, farthest) distance in centimetres to be expected clear through an add, by age alone.

    The farthest is the add's own focal distance; to the nearest, half the mean amplitude for the age is used
    (Hofstetter; the share of Millodot 2009), never farther than the working distance.
    """
    from ..optics.near import mean_amplitude

    far = math.inf if add <= 0 else 10000 / add
    power = add + 50 * mean_amplitude(age)
    near = 10000 / power if power > 0 else math.inf
    return round(min(near, working_distance)), round(min(far, 600))

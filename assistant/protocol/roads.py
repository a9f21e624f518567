"""What goes around the order of each eye: short roads, the looks at an eye's end, and the steps with both eyes.

Pure functions, like `route`: from where an exam stands to the step that comes next.
"""

from __future__ import annotations

from dataclasses import replace

from . import plan, route
from .both import BothState, BothStep
from .closing import EYES, poorer_than
from .eye import EyeState, line_feet, on_the_dials, sharp
from .progress import EyeProgress, State
from .questions import Choice
from .start import Manner, Road, When
from .steps.acuity import AcuityStep
from .steps.balance import AcuityBoth, Balance
from .steps.base import Step
from .steps.cylinder_check import CylinderCheck
from .steps.duochrome import Duochrome
from .steps.near import Near, NearAcuity
from .steps.power import Power
from .steps.power_by_cross import PowerByCross
from .steps.seeing import Pinhole, PlusCheck, Unaided, through_plus
from .steps.sphere import Sphere

ENDS = tuple(rule.id for rule in plan.EYE_ENDS)
LAST = frozenset({"acuity", "over_minus", *ENDS})
"""Steps after which nothing looks for the lens anew."""
BOTH = tuple(rule.id for rule in plan.BOTH_EYES)


# ---------------------------------------------------------------------------------------------- one eye's road
def first_step(eye: EyeState, road: Road, intake: bool) -> Step:
    """Where an eye begins."""
    if intake and eye.given and eye.unaided is None:
        return Unaided()
    if road is Road.RECHECK and eye.entering is not None:
        return Sphere.fine(eye)
    return route.first_step(eye)


def shortened(eye: EyeState, road: Road) -> tuple[EyeState, Step]:
    """Where an eye goes on when it is sent down a short road in mid-exam, from the lens that stands before it."""
    eye = replace(eye, checked=False, rounds=0, given=True, began=eye.lens.spherical_equivalent)
    if road is Road.RECHECK:
        return eye, Sphere.fine(eye)
    eye, step, _ = route.following(eye, "astigmatism")
    return eye, step or Sphere.fine(eye)


def following(
    eye: EyeState, after: str, road: Road, power_by: str, once: bool = False
) -> tuple[EyeState, Step | None, tuple[str, ...]]:
    """As `route.following`, on this road and with the cylinder's power found this way."""
    if after == "unaided":
        return eye, first_step(eye, road, intake=False), ()
    if road is Road.RECHECK and after in ("entering", "sphere_again"):
        return eye, Sphere.fine(eye) if after == "entering" else AcuityStep("acuity"), ()
    eye, step, passed = route.following(eye, after, once)
    if step is not None and step.id == "power":
        step = power_step(eye, power_by)
    return eye, step, passed


def power_step(eye: EyeState, power_by: str) -> Step:
    return PowerByCross() if power_by == "cross" else Power.begin(eye)


def next_end(progress: EyeProgress, duochrome: bool, worse_by_lines: bool) -> Step | None:
    """The next look at the end of an eye, or None when it is done.

    `duochrome`: it is asked for. `worse_by_lines`: this eye reads two lines less than the other.
    """
    eye, line = progress.state, progress.state.line_here
    if line is None and not eye.line_refused:
        return AcuityStep("acuity")  # a look that moved the lens
    fine = line is not None and not poorer_than(line, plan.DUOCHROME_NOT_BELOW)
    if duochrome and fine and "duochrome" not in progress.ends:
        return Duochrome()
    axis = _last_axis(progress)
    if "cylinder_check" not in progress.ends and not eye.lens.cylinder and axis is not None:
        return CylinderCheck(axis)
    if _plus_to_check(progress):
        return PlusCheck()
    poor = line is not None and (worse_by_lines or poorer_than(line, plan.REFER_BELOW))
    return Pinhole() if poor and "pinhole" not in progress.ends else None


def plus_first(progress: EyeProgress) -> bool:
    """Whether the line through one dioptre of plus comes before what is left open is asked, as it tells of that.

    An eye that was fogged over the lens it came with has told so much already, and is asked last.
    """
    fogged = progress.state.given and plan.focuses(progress.state.age)
    return not fogged and _plus_to_check(progress)


def _plus_to_check(progress: EyeProgress) -> bool:
    """Whether the line through one dioptre of plus is to be taken: it is not known, and it would tell something."""
    eye, lens = progress.state, through_plus(progress.state.lens)
    tells = plan.accommodates(eye.age) and sharp(eye.line_here) and on_the_dials(lens)
    return tells and PlusCheck.id not in progress.ends and progress.line_through(lens) is None


def _last_axis(progress: EyeProgress) -> int | None:
    """The axis at which this eye's cylinder stood before its power came down to nothing; None: there was none."""
    for one in reversed(progress.answers):
        pair = one.question
        if isinstance(pair, Choice) and pair.step in ("power", "power_again") and pair.first.cylinder:
            return pair.first.axis
    return None


# ---------------------------------------------------------------------------------------------------- both eyes
def begin_both(id: str, state: State, both: BothState, manner: Manner) -> tuple[BothStep | None, str | None]:
    """The step of that id with both eyes, or None; with the reason where it was called for and cannot be done."""
    wanted = state.together.wanted
    if id == "balance":
        if not (manner.balance or id in wanted):
            return None, None
        reason = _not_to_balance(state)
        return (Balance(), None) if reason is None else (None, reason)
    if id == "acuity_both":
        return (AcuityBoth() if state.together.balanced else None), None
    if id == "near":
        return _near(state, both, manner)
    if id == "near_acuity":
        return (NearAcuity() if both.add is not None and both.near_acuity is None else None), None
    return (Near.intermediate(both) if id in wanted else None), None


def _not_to_balance(state: State) -> str | None:
    """Why the eyes are not balanced, or None where they can be."""
    if not all(state.of(eye).complete for eye in EYES):
        return "eyes_incomplete"
    right, left = (state.of(eye).state.line_here for eye in EYES)
    if right is None or left is None:
        return "acuity_unknown"
    feet = sorted(line_feet(line) for line in (right, left))
    return "eyes_unlike" if feet[1] > plan.ALIKE * feet[0] else None


def _near(state: State, both: BothState, manner: Manner) -> tuple[BothStep | None, str | None]:
    asked = manner.near is When.ON or "near" in state.together.wanted
    if manner.near is When.OFF and "near" not in state.together.wanted:
        return None, None
    if both.age is None:
        return None, "age_unknown" if asked else None
    if not asked:
        if both.age < plan.NEAR_FROM_AGE:
            return None, "young"
        if not all(state.of(eye).begun for eye in EYES):
            return None, None
    if any(state.of(eye).given_up for eye in EYES):
        return None, "eyes_incomplete"
    return Near.begin(both), None

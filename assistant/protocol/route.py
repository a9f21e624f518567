"""Which step comes next for an eye: the order of `plan.EACH_EYE`, with its conditions, as one pure function."""

from __future__ import annotations

from dataclasses import replace

from . import plan
from .eye import EyeState, line_feet
from .steps.acuity import AcuityStep
from .steps.astigmatism import Astigmatism
from .steps.axis import Axis
from .steps.base import Step
from .steps.coarse_sphere import CoarseSphere
from .steps.fog import coarse
from .steps.over_minus import OverMinus
from .steps.power import Power, PowerAgain
from .steps.sphere import Sphere

ORDER = tuple(rule.id for rule in plan.EACH_EYE)
AGAIN = frozenset({"sphere_again", "axis_again", "power_again"})
"""The looks that go by quarters and small turns."""


def first_step(eye: EyeState) -> Step:
    if eye.entering is None:
        return AcuityStep("entering")
    return coarse(eye)


def following(eye: EyeState, after: str, once: bool = False) -> tuple[EyeState, Step | None, tuple[str, ...]]:
    """The step that follows `after`, and the ids of the steps passed over because they have nothing to do.

    None: the eye is finished. `once`: all answers are looked at together at its end, so that a poor acuity does not
    send it back, and an eye that sees poorly is not asked for quarters.
    """
    skipped: list[str] = []
    if after == "acuity":
        return _after_acuity(eye, once)
    if after == "over_minus":  # a check that moved the sphere takes the acuity once more
        eye = replace(eye, checked=True)
        return eye, AcuityStep("acuity") if eye.line_here is None and not eye.line_refused else None, ()
    for id in ORDER[ORDER.index(after) + 1 :]:
        step = None if once and id in AGAIN and eye.sees_poorly else _begin(id, eye)
        if step is not None:
            return eye, step, tuple(skipped)
        skipped.append(id)
    return eye, None, tuple(skipped)


def _begin(id: str, eye: EyeState) -> Step | None:
    cylinder = eye.lens.cylinder
    if id == "sphere":
        return coarse(eye)
    if id == "astigmatism":
        return Astigmatism() if cylinder > plan.CYLINDER_TO_START_FROM or eye.rounds else None
    if id == "axis":
        return Axis.first(eye) if cylinder else None
    if id == "power":
        return Power.begin(eye) if cylinder else None
    if id == "axis_again":
        moved = abs(cylinder - eye.power_from) >= plan.POWER_MOVE_FOR_AXIS
        shifted = abs(eye.lens.spherical_equivalent - eye.focus_from) >= plan.FOCUS_MOVE_FOR_AXIS
        return Axis.again(eye) if cylinder and (moved or shifted) else None
    if id == "power_again":
        return PowerAgain() if cylinder else None
    if id == "sphere_again":
        return Sphere.fine(eye)
    if id == "over_minus":
        return OverMinus.begin(eye)
    assert id == "acuity"
    return AcuityStep("acuity")


def _after_acuity(eye: EyeState, once: bool) -> tuple[EyeState, Step | None, tuple[str, ...]]:
    poor = eye.line_here is not None and line_feet(eye.line_here) > line_feet(plan.GOOD_ENOUGH)
    if poor and eye.rounds == 0 and not once:
        eye = replace(eye, rounds=1)
        return eye, CoarseSphere.begin(eye), ()
    if not eye.checked:
        return eye, OverMinus.begin(eye), ()
    return eye, None, ()

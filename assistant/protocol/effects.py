"""What the exam wants done, as values: adapters carry them out, tests assert them, the log records them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from ..optics.lens import Lens
from .meanings import Heard, Speaker
from .questions import Eye, Question


@dataclass(frozen=True)
class Say:
    """Words for the examiner or the patient. `key` names the sentence in `grammar.wording`, `facts` fill it in."""

    to: Speaker
    key: str
    facts: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Ask:
    """A question, put now. `number` counts the eye's questions from 1; `attempt` counts re-asks from 0.

    `dials` is what the dials show as it is put (the second lens of the pair before, say), or None when they show the
    lens the exam last told. `back`: the first lens is the one that was "one" just before.
    """

    question: Question
    number: int
    attempt: int = 0
    dials: Lens | None = None
    back: bool = False


@dataclass(frozen=True)
class Recorded:
    """What was heard, with what was made of it (`used`: it moved the exam on)."""

    heard: Heard
    used: bool


@dataclass(frozen=True)
class ShowLens:
    """What the dials of an eye should now show."""

    eye: Eye
    lens: Lens


class Status(str, Enum):
    BEGUN = "begun"
    DONE = "done"
    SKIPPED = "skipped"


@dataclass(frozen=True)
class StepChange:
    eye: Eye
    step: str
    status: Status


@dataclass(frozen=True)
class Flag:
    """A caution or an inconsistency: `code` is stable, `facts` fill in its sentence."""

    code: str
    eye: Eye
    facts: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class EyeResult:
    """One eye of the draft: powers in hundredths of a dioptre, acuities as Snellen fractions in feet or None.

    axis      None where there is no cylinder
    complete  the eye was gone through to the end, and its answers fit together
    examined  the lens was found in this exam; False: carried over from the start
    change    the draft less the start (or the glasses worn), a power vector {"m", "j0", "j45"} in dioptres
    intermediate  add for the intermediate distance
    over_minus  what was found against too much minus: {"unreadable": the least plus over the lens, dioptres, through
              which no letter of the best line could be read, "line": read through "plus" dioptres over the lens}, each
              None where it was not looked at; None where none was
    interval  where the eye's numbers lie with stated chance, worked out from all answers outside the exam
              (`assistant.evidence.known.interval`); no part of what makes two results the same
    """

    sphere: int | None
    cylinder: int | None
    axis: int | None
    add: int | None
    acuity: str | None
    entering_acuity: str | None = None
    complete: bool = True
    unaided_acuity: str | None = None
    pinhole_acuity: str | None = None
    intermediate: int | None = None
    examined: bool = True
    change: Mapping[str, float] | None = None
    over_minus: Mapping[str, object] | None = None
    interval: Mapping[str, object] | None = field(default=None, compare=False)


@dataclass(frozen=True)
class Prescribe:
    """The draft prescription; a draft until a licensed practitioner signs it.

    pd, near_pd   millimetres; `near_pd_computed` where it was reckoned from the distance PD
    vertex        millimetres from the cornea at which the powers hold
    acuity_both, near_acuity  read by both eyes together; near at `working_distance` centimetres
    cautions      codes of the cautions that stand, "code" or "code:eye"
    """

    right: EyeResult
    left: EyeResult
    pd: float | None
    confirmed: bool
    near_pd: float | None = None
    near_pd_computed: bool = False
    vertex: float | None = None
    acuity_both: str | None = None
    near_acuity: str | None = None
    working_distance: int | None = None
    cautions: tuple[str, ...] = ()


Effect = Say | Ask | Recorded | ShowLens | StepChange | Flag | Prescribe

"""What is known before the exam: the patient, the starting point, how the exam is to run. Plain, validated values."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum

from ..optics.lens import Lens
from . import plan
from .eye import line_feet, sphere_within
from .instrument import Instrument
from .questions import Eye


class StartError(ValueError):
    """A starting point that cannot be used; the message names the field and the rule."""


PACES = ("book", "evidence")
SOURCES = ("glasses", "autorefraction", "retinoscopy")
"""Where a starting lens may come from."""


@dataclass(frozen=True)
class StartEye:
    """What one eye starts with; each may be None.

    lens     the starting lens: old glasses, autorefraction, retinoscopy with the working distance taken off
    acuity   the line read through it, and `unaided` the line read without any lens
    glasses  what the patient wears today, where the starting lens is another: the draft is compared with it
    """

    lens: Lens | None = None
    acuity: str | None = None
    unaided: str | None = None
    glasses: Lens | None = None

    def __post_init__(self) -> None:
        for lens in (self.lens, self.glasses):
            if lens is not None:
                _check_lens(lens)
        for line in (self.acuity, self.unaided):
            if line is not None:
                check_line(line)


def _check_lens(lens: Lens) -> None:
    if not sphere_within(lens.sphere):
        raise StartError(f"sphere: {lens.sphere / 100:+.2f} is beyond the dial, -20.00 to +20.00")
    if lens.cylinder < plan.CYLINDER_LOW:
        raise StartError(f"cylinder: {lens.cylinder / 100:+.2f} is beyond the dial, -8.00 to 0.00")
    if lens.sphere % 25 or lens.cylinder % 25:
        raise StartError("sphere and cylinder: the dials move in quarter dioptres")
    if lens.cross is not None:
        raise StartError("cross cylinder: a starting point has none")


def check_line(line: str) -> str:
    """The line itself when it is a Snellen fraction in feet such as "20/25" or "20/25-2"; raises StartError."""
    head = line.replace("+", "-").split("-")[0]
    parts = head.split("/")
    if len(parts) != 2 or parts[0] != "20" or not parts[1].isdigit() or not 8 <= int(parts[1]) <= 2000:
        raise StartError(f"acuity: {line!r} is not a line such as 20/25")
    return line


class Road(str, Enum):
    """How much of the exam is gone through."""

    FULL = "full"  # all of it; shorter where there is a starting point
    REFINE = "refine"  # from a starting point only
    RECHECK = "recheck"  # sphere, over-minus check and acuity; the cylinder stays as it is
    NEAR = "near"  # the add alone, over the starting point's distance lenses

    def __str__(self) -> str:
        return self.value


class When(str, Enum):
    """Whether an optional part is gone through."""

    ON = "on"
    OFF = "off"
    AUTO = "auto"  # where it is called for

    def __str__(self) -> str:
        return self.value


@dataclass(frozen=True)
class Manner:
    """How an exam is to run. The defaults make the shortest whole exam.

    eyes        examined, in this order
    near        AUTO: from 40 years on
    balance     balance of both eyes by alternate occlusion
    duochrome   the red-green check at the end of each eye
    intake      all questions of setting up, not only age and PD
    power_by    the cylinder's power by "dial" steps or by "cross" cylinder
    pace        by the "book", or led by the "evidence": the pairs that tell most, until enough is known
    working_distance  near, centimetres (10-200)
    """

    road: Road = Road.FULL
    eyes: tuple[Eye, ...] = (Eye.RIGHT, Eye.LEFT)
    near: When = When.AUTO
    balance: bool = False
    duochrome: bool = False
    intake: bool = False
    power_by: str = "dial"
    pace: str = "book"
    working_distance: int = plan.WORKING_DISTANCE
    instrument: Instrument = field(default_factory=Instrument)

    def __post_init__(self) -> None:
        if not self.eyes or len(set(self.eyes)) != len(self.eyes) or Eye.BOTH in self.eyes:
            raise StartError("eyes: right, left or both are meant")
        if self.power_by not in ("dial", "cross"):
            raise StartError(f"power_by: {self.power_by!r} is neither dial nor cross")
        if self.pace not in PACES:
            raise StartError(f"pace: {self.pace!r} is neither {' nor '.join(PACES)}")
        if not 10 <= self.working_distance <= 200:
            raise StartError(f"working_distance: {self.working_distance} cm is outside 10 to 200")


@dataclass(frozen=True)
class Start:
    """The starting point of an exam.

    pd, near_pd  millimetres (40-80); age in years (1-120); patient: a code
    vertex       vertex distance of the head, millimetres (0-20)
    amplitude    measured amplitude of accommodation, dioptres (0-25)
    source       where the starting lenses come from, one of `SOURCES`
    reason       for the visit, in the patient's words
    red_flags    what the patient tells of: codes of `plan.RED_FLAGS`
    dominant     the eye that leads, where known
    """

    right: StartEye = field(default_factory=StartEye)
    left: StartEye = field(default_factory=StartEye)
    pd: float | None = None
    age: int | None = None
    patient: str | None = None
    near_pd: float | None = None
    vertex: float | None = None
    amplitude: float | None = None
    source: str | None = None
    reason: str | None = None
    red_flags: tuple[str, ...] = ()
    dominant: Eye | None = None
    manner: Manner = field(default_factory=Manner)

    def __post_init__(self) -> None:
        for name, value in (("pd", self.pd), ("near_pd", self.near_pd)):
            if value is not None and not 40 <= value <= 80:
                raise StartError(f"{name}: {value} is outside 40 to 80 millimetres")
        if self.age is not None and not 1 <= self.age <= 120:
            raise StartError(f"age: {self.age} is outside 1 to 120 years")
        if self.vertex is not None and not plan.VERTEX_LOW <= self.vertex <= plan.VERTEX_HIGH:
            raise StartError(f"vertex: {self.vertex} is outside {plan.VERTEX_LOW} to {plan.VERTEX_HIGH} millimetres")
        if self.amplitude is not None and not 0 <= self.amplitude <= 25:
            raise StartError(f"amplitude: {self.amplitude} is outside 0 to 25 dioptres")
        if self.source is not None and self.source not in SOURCES:
            raise StartError(f"source: {self.source!r} is none of {', '.join(SOURCES)}")
        for code in self.red_flags:
            if code not in plan.RED_FLAGS:
                raise StartError(f"red_flags: {code!r} is none of {', '.join(plan.RED_FLAGS)}")
        if self.dominant is Eye.BOTH:
            raise StartError("dominant: right or left is meant")
        head, road = self.manner.instrument, self.manner.road
        for eye in (Eye.RIGHT, Eye.LEFT):
            lens = self.eye(eye).lens
            if lens is not None and not head.reaches(lens):
                raise StartError(f"{eye} eye: the starting lens is beyond this instrument's dials")
            wanted = road is Road.NEAR or (road in (Road.REFINE, Road.RECHECK) and eye in self.manner.eyes)
            if wanted and lens is None:
                raise StartError(f"{eye} eye: the {road} road begins at a starting lens, and there is none")

    def eye(self, which: Eye) -> StartEye:
        return self.right if which is Eye.RIGHT else self.left


__all__ = ["PACES", "SOURCES", "Manner", "Road", "Start", "StartError", "StartEye", "When", "check_line", "line_feet"]

"""What is known before the exam: the starting point, and the settings of the room. Plain values, validated."""

from __future__ import annotations

from dataclasses import dataclass, field

from ..optics.lens import Lens
from . import plan
from .eye import line_feet, sphere_within


class StartError(ValueError):
    """A starting point that cannot be used; the message names the field and the rule."""


@dataclass(frozen=True)
class StartEye:
    """Where one eye starts: a lens (old glasses, autorefraction, retinoscopy) and the acuity entered with, or None."""

    lens: Lens | None = None
    acuity: str | None = None

    def __post_init__(self) -> None:
        if self.lens is not None:
            if not sphere_within(self.lens.sphere):
                raise StartError(f"sphere: {self.lens.sphere / 100:+.2f} is beyond the dial, -20.00 to +20.00")
            if self.lens.cylinder < plan.CYLINDER_LOW:
                raise StartError(f"cylinder: {self.lens.cylinder / 100:+.2f} is beyond the dial, -8.00 to 0.00")
            if self.lens.sphere % 25 or self.lens.cylinder % 25:
                raise StartError("sphere and cylinder: the dials move in quarter dioptres")
            if self.lens.cross is not None:
                raise StartError("cross cylinder: a starting point has none")
        if self.acuity is not None:
            check_line(self.acuity)


def check_line(line: str) -> str:
    """The line itself when it is a Snellen fraction in feet such as "20/25" or "20/25-2"; raises StartError."""
    head = line.replace("+", "-").split("-")[0]
    parts = head.split("/")
    if len(parts) != 2 or parts[0] != "20" or not parts[1].isdigit() or not 8 <= int(parts[1]) <= 2000:
        raise StartError(f"acuity: {line!r} is not a line such as 20/25")
    return line


@dataclass(frozen=True)
class Start:
    """The starting point of an exam: both eyes, PD in millimetres (40-80), age in years (1-120), patient code."""

    right: StartEye = field(default_factory=StartEye)
    left: StartEye = field(default_factory=StartEye)
    pd: float | None = None
    age: int | None = None
    patient: str | None = None

    def __post_init__(self) -> None:
        if self.pd is not None and not 40 <= self.pd <= 80:
            raise StartError(f"pd: {self.pd} is outside 40 to 80 millimetres")
        if self.age is not None and not 1 <= self.age <= 120:
            raise StartError(f"age: {self.age} is outside 1 to 120 years")


__all__ = ["Start", "StartError", "StartEye", "check_line", "line_feet"]

"""One eye on its way through the exam: the lens before it, what it has read, and what the steps leave behind."""

from __future__ import annotations

from dataclasses import dataclass, replace

from ..optics.lens import Lens
from . import plan
from .meanings import Heard, Meaning
from .questions import Choice, Eye, Question


def line_feet(line: str) -> int:
    """The denominator of a Snellen fraction in feet: "20/25" -> 25; missed letters ("20/25-2") are left aside."""
    return int(line.split("/")[1].split("-")[0].split("+")[0])


def sharp(line: str | None) -> bool:
    """Whether a line was read, and it is good enough that the eye sees well."""
    return line is not None and line_feet(line) <= line_feet(plan.GOOD_ENOUGH)


@dataclass(frozen=True)
class EyeState:
    """What the steps share about one eye.

    lens          before the eye now; the cross cylinder is never part of it
    entering      acuity before a lens was moved, a Snellen fraction in feet; None: not taken
    line          the line last read, and `line_lens` the lens it was read through
    line_refused  the patient could not say which line; not asked again until the next acuity step
    given         this eye came with a starting point
    began         spherical equivalent of the lens it began from, dioptres
    power_from    cylinder at the time the axis was last refined (D/100)
    focus_from    spherical equivalent at that time, dioptres
    minus_refused  the sphere (D/100) at which a quarter more minus was plainly worse; None: nowhere
    clicks        clicks of plus to make the check line unreadable; None: not checked
    rounds        times a poor acuity sent this eye back
    checked       the over-minus check has been done, or left
    choices       pairs of lenses answered, and `equals` how many of them with no difference seen
    unaided       acuity without any lens; None: not taken
    pinhole       acuity through a pinhole with the final lens; None: not taken
    """

    eye: Eye
    lens: Lens
    age: int | None = None
    entering: str | None = None
    line: str | None = None
    line_lens: Lens | None = None
    line_refused: bool = False
    given: bool = False
    began: float = 0.0
    power_from: int = 0
    focus_from: float = 0.0
    minus_refused: int | None = None
    clicks: int | None = None
    rounds: int = 0
    checked: bool = False
    choices: int = 0
    equals: int = 0
    unaided: str | None = None
    pinhole: str | None = None

    @property
    def line_here(self) -> str | None:
        """The line read through the very lens before the eye now; None when that is not known."""
        return self.line if self.line_lens == self.lens else None

    @property
    def may_hide_minus(self) -> bool:
        """It may focus through too much minus: in its starting point, or for lack of plus before it when young."""
        return plan.accommodates(self.age) if self.given else plan.focuses(self.age)

    def hides_minus(self, m: float) -> bool:
        """Whether it focuses through a starting point of plainly too much minus, the right one being `m` (dioptres)."""
        return self.given and plan.focuses(self.age) and m - self.began >= plan.OVER_MINUSED

    @property
    def blurred(self) -> bool:
        """Plainly blurred: the line last read is poor, so "the same" says little about the focus."""
        return self.line is not None and line_feet(self.line) >= line_feet(plan.POOR)

    @property
    def sees_poorly(self) -> bool:
        """The line last read is poor, and not for the lens, as it was read through nearly this one."""
        if self.line is None or self.line_lens is None:
            return False
        near = self.line_lens.vector.minus(self.lens.vector).blur <= plan.NEARLY_THIS_LENS
        return near and line_feet(self.line) >= line_feet(plan.NO_QUARTERS_FROM)

    @property
    def dull(self) -> bool:
        """Small steps do not show: the eye is blurred, or it has seen no difference in most of its pairs.

        A small pupil does that while the line read stays good.
        """
        return self.blurred or (self.equals >= plan.DULL_FROM and 2 * self.equals >= self.choices)

    @property
    def cross_power(self) -> int:
        """The cross cylinder that shows through the present blur, D/100."""
        return plan.CROSS_POWER_POOR if self.dull else plan.CROSS_POWER

    @property
    def strongest_cross(self) -> int:
        """The strongest cross cylinder to try when a weaker one shows no difference, D/100."""
        return plan.CROSS_POWER_MOST if self.dull else plan.CROSS_POWER_POOR

    def counting(self, question: Question, heard: Heard) -> EyeState:
        """The eye with one more pair answered, where the question was a pair."""
        if not isinstance(question, Choice):
            return self
        equal = heard.meaning not in (Meaning.FIRST, Meaning.SECOND)
        return replace(self, choices=self.choices + 1, equals=self.equals + equal)

    def to(self, lens: Lens) -> EyeState:
        return replace(self, lens=lens)


def sphere_within(sphere: int) -> bool:
    return plan.SPHERE_LOW <= sphere <= plan.SPHERE_HIGH


def on_the_dials(lens: Lens) -> bool:
    """Whether the dials go as far as this lens."""
    return sphere_within(lens.sphere) and lens.cylinder >= plan.CYLINDER_LOW


def with_cylinder(lens: Lens, cylinder: int, axis: int | None = None) -> Lens:
    """The lens with another cylinder, the spherical equivalent held as nearly as whole clicks allow.

    For every 0.50 D of minus cylinder 0.25 D of plus goes into the sphere; a single 0.25 D leaves half a click over,
    which goes toward plus when cylinder is added and is taken back when it is removed.
    """
    # Twice the spherical equivalent in D/100 stays a whole number, so no half click is lost to rounding.
    before, after = -lens.cylinder // plan.POWER_FINEST, -cylinder // plan.POWER_FINEST
    clicks = (after + 1) // 2 - (before + 1) // 2
    sphere = lens.sphere + clicks * 25
    return Lens(sphere, cylinder, lens.axis if axis is None else axis, lens.cross)

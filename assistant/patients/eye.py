"""An eye that sees a lens: what blur is left, what it clears by focusing, and what it can then read.

A residual is the power vector of the lens before the eye minus that of the lens it needs. A residual with M >
0 is too much plus (fog): focusing makes it worse, so the eye rests. A residual with M < 0 is too much minus,
or a hyperope's missing plus: focusing adds plus and clears it, as far as the amplitude of accommodation goes.
What remains is the blur, and its length the blur strength (Thibos, Wheeler & Horner, Optom Vis Sci
1997;74:367-375).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from typing import Final

from ..optics.acuity import LINES, expected_acuity
from ..optics.lens import Lens
from ..optics.near import mean_amplitude
from ..optics.power_vector import PowerVector

REFERENCE_PUPIL_MM: Final = 4.0
"""Pupil at which MAR = 1 + b² holds with b in plain dioptres. Assumed; other pupils scale b in proportion,
because the blur disc's angle is pupil times defocus (geometrical optics)."""

HALF_A_LINE: Final = 0.05
"""logMAR: a line counts as read when half of its five letters are (0.02 logMAR a letter)."""


class BlurModel(str, Enum):
    """How acuity falls with blur.

    SQUARE  MAR grows as 1 + b² (R. Blendowske, Optom Vis Sci 2015), b scaled by pupil.
    CHART   the chart table of 6,000 refractions of adults under 30 (`optics.acuity.expected_acuity`).
    """

    SQUARE = "square"
    CHART = "chart"


def smallest_line(logmar: float) -> str | None:
    """The smallest chart line an eye of this acuity (logMAR) reads, "20/25"; None when the largest is too
    small."""
    for line, size in _LINES:
        if size >= logmar - HALF_A_LINE:
            return line
    return None


_LINES: Final = tuple((line.snellen_feet, line.logmar) for line in LINES)


@dataclass(frozen=True)
class Eye:
    """One eye of a virtual patient.

    correction     the lens that makes it sharp at distance with accommodation at rest, as a power vector (D).
    accommodation  how much plus the eye can add by focusing, D (>= 0); `optics.near` gives it by age.
    best_logmar    acuity through that lens, logMAR; 0.0 is 20/20, lower is better.
    pupil_mm       pupil diameter, mm.
    blur_model     which published relation of acuity to blur it follows.

    Raises ValueError naming the field and the rule.
    """

    correction: PowerVector
    accommodation: float = 0.0
    best_logmar: float = 0.0
    pupil_mm: float = REFERENCE_PUPIL_MM
    blur_model: BlurModel = BlurModel.SQUARE

    def __post_init__(self) -> None:
        if not all(math.isfinite(part) for part in self.correction):
            raise ValueError(f"correction: {self.correction!r} is not a finite power vector")
        if not 0 <= self.accommodation <= 25:
            raise ValueError(f"accommodation: {self.accommodation!r} is outside 0 to 25 dioptres")
        if not -0.4 <= self.best_logmar <= 2:
            raise ValueError(f"best_logmar: {self.best_logmar!r} is outside -0.4 to 2.0")
        if not 1 <= self.pupil_mm <= 9:
            raise ValueError(f"pupil_mm: {self.pupil_mm!r} is outside 1 to 9 millimetres")

    @staticmethod
    def of(
        sphere: float,
        cylinder: float = 0.0,
        axis: float = 180,
        *,
        age: float | None = None,
        best_logmar: float = 0.0,
        pupil_mm: float = REFERENCE_PUPIL_MM,
        blur_model: BlurModel = BlurModel.SQUARE,
    ) -> Eye:
        """An eye from the lens it needs (D, degrees) and its age; without an age it cannot accommodate."""
        amplitude = 0.0 if age is None else mean_amplitude(age)
        return Eye(PowerVector.of(sphere, cylinder, axis), amplitude, best_logmar, pupil_mm, blur_model)

    @property
    def best_mar(self) -> float:
        """Minimum angle of resolution through the right lens, minutes of arc."""
        return float(10**self.best_logmar)

    def effort(self, lens: Lens) -> float:
        """Dioptres of accommodation the eye spends behind this lens."""
        return min(max(0.0, self.correction.m - lens.vector.m), self.accommodation)

    def residual(self, lens: Lens) -> PowerVector:
        """What is left of the error behind this lens after accommodation has done what it can (D)."""
        left = lens.vector.minus(self.correction)
        if left.m < 0:
            return PowerVector(left.m + min(-left.m, self.accommodation), left.j0, left.j45)
        return left

    def blur(self, lens: Lens) -> float:
        """Blur strength behind this lens, dioptres."""
        return self.residual(lens).blur

    def mar(self, lens: Lens) -> float:
        """Minimum angle of resolution behind this lens, minutes of arc.

        Blur adds the same angle to an eye whose best acuity is poor (assumed: the published relations are of
        healthy eyes), so that 20/100 eyes barely notice a dioptre, as the just-noticeable-difference rule of
        common practice says.
        """
        return self._mar(self.blur(lens))

    def _mar(self, blur: float) -> float:
        if self.blur_model is BlurModel.CHART:
            return self.best_mar - 1 + expected_acuity(blur).mar
        return self.best_mar + (blur * self.pupil_mm / REFERENCE_PUPIL_MM) ** 2

    def acuity(self, lens: Lens) -> float:
        """Acuity behind this lens, logMAR."""
        return math.log10(self.mar(lens))

    def perceived(self, lens: Lens) -> float:
        """How blurred the letters look, on the scale of choices: dioptres of blur of a healthy eye at 4 mm
        pupil.

        A poor eye carries the blur that would explain its best acuity within it (assumed): the same lens
        change is then a smaller difference to it. Optical and inner blur add as squares, which is MAR = 1 +
        b² read backwards.
        """
        outer = self.blur(lens) * self.pupil_mm / REFERENCE_PUPIL_MM
        return math.sqrt(outer * outer + max(0.0, self.best_mar - 1.0))

"""Visual acuity in the notations of the trade, the chart's lines, and what blur does to acuity.

decimal = 20/x = 6/y; MAR = 1/decimal (minutes of arc); logMAR = log10(MAR); 0.1 logMAR a line, 0.02 a letter;
letter score = 85 - 50 logMAR.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_left
from dataclasses import dataclass

LOGMAR_PER_LINE = 0.1
LOGMAR_PER_LETTER = 0.02  # five letters a line
LETTERS_AT_20_20 = 85  # letter score of logMAR 0

_BEST_FEET = 7.5  # 20/7.5: better than any eye reads; smaller is a slip of the tongue or the pen
_WORST_FEET = 4000.0  # 20/4000, logMAR 2.3: about where counting fingers takes over from letters
_MOST_LETTERS = 4  # more missed or extra letters of five make another line

# Test distances a Snellen fraction may start with: feet 20 and 10, metres 6, 5, 4, 3, 2, 1. The fraction is
# decimal acuity whatever the unit; only the custom of writing differs.
_TEST_DISTANCES = frozenset({20.0, 10.0, 6.0, 5.0, 4.0, 3.0, 2.0, 1.0})

_NUMBER = r"\d+(?:[.,]\d+)?"
_SNELLEN = re.compile(rf"({_NUMBER})\s*/\s*({_NUMBER})(?:\s*([+-])\s*(\d))?")
_DECIMAL = re.compile(_NUMBER)
_LOGMAR = re.compile(rf"(?:logmar\s*([+-]?{_NUMBER})|([+-]?{_NUMBER})\s*logmar)")
_LETTERS = re.compile(rf"({_NUMBER})\s*letters")


class AcuityError(ValueError):
    """An acuity that cannot be; the message says what is wrong with it and how to write it."""


@dataclass(frozen=True)
class Acuity:
    """A visual acuity: the line 20/`feet`, and `extra` letters read below it (+) or missed on it (-).

    `Acuity.parse("20/25-2")` reads any notation; `str()` writes Snellen feet. Two acuities are equal when
    line and letters are; compare how well they see by `logmar` (smaller is better) or `better_than`. Raises
    AcuityError outside 20/7.5 to 20/4000 or beyond four letters either way.
    """

    feet: float
    extra: int = 0

    def __post_init__(self) -> None:
        feet = self.feet
        if isinstance(feet, bool) or not isinstance(feet, (int, float)):
            raise AcuityError(f"acuity: 20/{feet!r} is not a number of feet")
        if not _BEST_FEET <= feet <= _WORST_FEET:  # also true for NaN
            raise AcuityError(f"acuity: 20/{feet:g} is outside 20/{_BEST_FEET:g} to 20/{_WORST_FEET:g}")
        if isinstance(self.extra, bool) or not isinstance(self.extra, int):
            raise AcuityError(f"acuity letters: {self.extra!r} is not a whole number")
        if not -_MOST_LETTERS <= self.extra <= _MOST_LETTERS:
            raise AcuityError(f"acuity letters: {self.extra:+d} is outside -4 to +4; five letters make a line")

    @staticmethod
    def parse(text: str) -> Acuity:
        """An acuity from text, in any notation.

        "20/25", "20/25-2", "6/7.5", "6/7.5+1", "0.8" (decimal), "0.1 logMAR", "logMAR 0.1", "80 letters".
        A bare number is decimal acuity; logMAR is only taken where it is named, as 0.3 could be either.
        """
        if not isinstance(text, str):
            raise AcuityError(f'acuity: {text!r} is not text; write it as "20/25", "6/7.5" or "0.8"')
        plain = text.strip().lower().replace("\u2212", "-")
        if match := _SNELLEN.fullmatch(plain):
            distance, size = _number(match[1]), _number(match[2])
            if distance not in _TEST_DISTANCES:
                raise AcuityError(f'acuity: "{text}" starts with {distance:g}; write it for 20 feet or 6 metres')
            if size <= 0:
                raise AcuityError(f'acuity: "{text}" has no letter size')
            extra = int(match[3] + match[4]) if match[3] else 0
            return Acuity(_tidy(20 * size / distance), extra)
        if _DECIMAL.fullmatch(plain):
            return Acuity.from_decimal(_number(plain))
        if match := _LOGMAR.fullmatch(plain):
            return Acuity.from_logmar(_number(match[1] or match[2]))
        if match := _LETTERS.fullmatch(plain):
            return Acuity.from_letters(_number(match[1]))
        raise AcuityError(
            f'acuity: "{text}" is none; write "20/25", "20/25-2", "6/7.5", "0.8", "0.1 logMAR", "80 letters"'
        )

    @staticmethod
    def from_decimal(decimal: float) -> Acuity:
        """From decimal acuity (1.0 is 20/20)."""
        if not decimal > 0:
            raise AcuityError(f"decimal acuity: {decimal:g} is not above 0")
        return Acuity(_tidy(20 / decimal))

    @staticmethod
    def from_mar(mar: float) -> Acuity:
        """From the minimum angle of resolution, minutes of arc (1 is 20/20)."""
        return Acuity(_tidy(20 * mar))

    @staticmethod
    def from_logmar(logmar: float) -> Acuity:
        """From logMAR (0 is 20/20)."""
        if not -3 <= logmar <= 3:
            raise AcuityError(f"logMAR: {logmar:g} is not an acuity a letter chart can show")
        return Acuity(_tidy(20 * 10**logmar))

    @staticmethod
    def from_letters(letters: float) -> Acuity:
        """From a letter score, 0 to 100 (85 is 20/20)."""
        if not 0 <= letters <= 100:
            raise AcuityError(f"letter score: {letters:g} is outside 0 to 100")
        return Acuity.from_logmar((LETTERS_AT_20_20 - letters) * LOGMAR_PER_LETTER)

    @property
    def logmar(self) -> float:
        """log10 of the minimum angle of resolution, letters counted at 0.02 each; smaller is better."""
        return math.log10(self.feet / 20) - LOGMAR_PER_LETTER * self.extra

    @property
    def mar(self) -> float:
        """Minimum angle of resolution, minutes of arc."""
        return float(10**self.logmar)

    @property
    def decimal(self) -> float:
        """Decimal acuity, 1/MAR."""
        return float(10**-self.logmar)

    @property
    def letters(self) -> float:
        """Letter score, 85 - 50 logMAR; below 0 where the acuity is poorer than the score's chart shows."""
        return LETTERS_AT_20_20 - self.logmar / LOGMAR_PER_LETTER

    @property
    def line(self) -> Acuity:
        """The line alone, without extra or missed letters."""
        return Acuity(self.feet) if self.extra else self

    @property
    def snellen_feet(self) -> str:
        """ "20/25-2": to the whole foot, below 20/20 to the half foot, as charts are marked."""
        feet = _half_up(self.feet) if self.feet >= 20 else _half_up(self.feet * 2) / 2
        return f"20/{feet:g}{self._letters_text}"

    @property
    def snellen_metres(self) -> str:
        """ "6/7.5-2": to the tenth of a metre, from 6/10 to the whole metre, as charts are marked."""
        metres = self.feet * 6 / 20
        shown = _half_up(metres) if metres >= 10 else _half_up(metres * 10) / 10
        return f"6/{shown:g}{self._letters_text}"

    @property
    def _letters_text(self) -> str:
        return f"{self.extra:+d}" if self.extra else ""

    def better_than(self, other: Acuity) -> bool:
        """Whether smaller letters are read than with `other`; equal acuities are not better."""
        return self.logmar < other.logmar - 1e-9

    def __str__(self) -> str:
        return self.snellen_feet


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def _tidy(feet: float) -> float:
    """Without the last bits of floating-point noise, so that 6/7.5, 0.8 and 20/25 are one acuity."""
    return round(feet, 9)


def _half_up(value: float) -> int:
    return math.floor(value + 0.5)


# The lines of a common chart in the United States, smallest letters (the bottom of the chart) first. Charts
# differ; these are the sizes nearly every projected or screen chart offers, and the steps between 20/15 and
# 20/100 are near 0.1 logMAR. 20/12.5, 20/16, 20/32, 20/63 belong to logMAR charts: they are read as
# acuities, and `nearest_line` maps them. Source: common practice, no single source.
LINES: tuple[Acuity, ...] = tuple(
    Acuity(float(feet)) for feet in (10, 15, 20, 25, 30, 40, 50, 60, 70, 80, 100, 150, 200, 300, 400)
)
_LINE_LOGMARS = tuple(line.logmar for line in LINES)


def nearest_line(logmar: float) -> Acuity:
    """The chart line nearest to an acuity in logMAR; ties to the larger letters, off the chart its end."""
    return LINES[_nearest_index(logmar)]


def _nearest_index(logmar: float) -> int:
    if math.isnan(logmar):
        raise AcuityError("logMAR: not a number")
    at = bisect_left(_LINE_LOGMARS, logmar)
    if at == 0:
        return 0
    if at == len(LINES):
        return at - 1
    return at if _LINE_LOGMARS[at] - logmar <= logmar - _LINE_LOGMARS[at - 1] + 1e-12 else at - 1


def line_up(acuity: Acuity, lines: int = 1) -> Acuity:
    """The chart line `lines` above (larger letters) the one nearest to `acuity`; stays at the chart's top."""
    index = _nearest_index(acuity.logmar) + lines
    return LINES[max(0, min(index, len(LINES) - 1))]


def line_down(acuity: Acuity, lines: int = 1) -> Acuity:
    """The chart line `lines` below (smaller letters) the one nearest to `acuity`; stays at the bottom."""
    return line_up(acuity, -lines)


def lines_between(better: Acuity, worse: Acuity) -> int:
    """Chart lines by which `worse` is worse, each taken at its nearest line; negative if it is better."""
    return _nearest_index(worse.logmar) - _nearest_index(better.logmar)


# Acuity of an uncorrected blur, (dioptres, MAR in minutes of arc): a chart table from 6,000 refractions of
# adults under 30 (Br J Ophthalmol): 20/30 at 0.50 D, 20/40 at 0.75 ... 20/300 at 3.50 D. The first point is
# ours: the table starts at 0.50 D, and no blur is taken as 20/20. Other sources differ by about 1.5 lines
# (H.B. Peters, Am J Optom 1961;38), so nothing finer should hang on it.
_BLUR_TABLE: tuple[tuple[float, float], ...] = (
    (0.00, 20 / 20),
    (0.50, 30 / 20),
    (0.75, 40 / 20),
    (1.00, 50 / 20),
    (1.25, 70 / 20),
    (1.50, 100 / 20),
    (2.00, 150 / 20),
    (2.50, 200 / 20),
    (3.00, 250 / 20),
    (3.50, 300 / 20),
)
_BLURS = tuple(blur for blur, _ in _BLUR_TABLE)
_MARS = tuple(mar for _, mar in _BLUR_TABLE)


def _interpolate(x: float, xs: tuple[float, ...], ys: tuple[float, ...]) -> float:
    """Straight lines between the points of a rising table; past its end, on along the last one."""
    at = min(max(bisect_left(xs, x), 1), len(xs) - 1)
    return ys[at - 1] + (x - xs[at - 1]) * (ys[at] - ys[at - 1]) / (xs[at] - xs[at - 1])


def expected_acuity(blur: float) -> Acuity:
    """Acuity to expect of a healthy young eye through `blur` dioptres, the length of a power vector.

    Interpolated in MAR, which the table's upper half follows exactly (5 minutes a dioptre); past 3.50 D it
    goes on so, down to the poorest acuity there is. 20/20 where there is no blur. Raises AcuityError for a
    negative blur.
    """
    if not blur >= 0:
        raise AcuityError(f"blur: {blur:g} D is not a length; it cannot be negative")
    return Acuity.from_mar(min(_interpolate(blur, _BLURS, _MARS), _WORST_FEET / 20))


def blur_for_acuity(acuity: Acuity) -> float:
    """Dioptres of blur at which an acuity is expected: inverse of `expected_acuity`, 0 at 20/20 or better."""
    return _interpolate(max(acuity.mar, 1.0), _MARS, _BLURS)

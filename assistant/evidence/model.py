"""How likely an answer is, for every eye and person it could have come from.

A *particle* is one such possibility: a power vector the eye may need, and the unknowns of the person who answers -
how small a difference they tell, how that grows with blur, when they say "the same", how often they answer without
looking, what they like, how acuity falls with blur, how far they can focus. The unknowns are not of interest, but an
honest interval has to allow for them, so each particle carries its own (nuisance parameters, integrated over).

The choice model is the usual one of a noisy comparison with an indifference zone: the blur strengths behind the two
lenses (lengths of power vectors, Thibos, Wheeler & Horner 1997) are compared with noise that grows with blur; a
difference within the zone is "the same"; a share of answers (lapses) pays no regard to the lenses. More than two
outcomes as in QUEST+ (A.B. Watson, J Vis 2017;17(3):10). The priors are wide on purpose: no slope in dioptres was
found published for such choices.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from copy import copy
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ..optics.acuity import LINES, Acuity, AcuityError
from ..optics.lens import Lens
from ..optics.near import largest_amplitude
from ..optics.power_vector import PowerVector
from ..protocol.meanings import Heard, Meaning
from ..protocol.questions import AcuityQuestion, Choice, Eye, Legible, Question

Array = NDArray[np.float64]
Singles = NDArray[np.float32]
Places = NDArray[np.int_]

# Rows of a particle. Logarithms are natural; powers in dioptres.
M, J0, J45 = 0, 1, 2
NUISANCES: Final = (
    # name, prior median, prior spread (standard deviation), unit and what it is
    ("log_threshold", np.log(0.09), 0.65, "log D: noise of a comparison near focus, one standard deviation"),
    ("log_weber", np.log(0.08), 0.90, "log D/D: its growth with the blur there is"),
    ("log_same", np.log(0.08), 0.80, "log D: half width of the zone called the same, near focus"),
    ("log_same_growth", np.log(0.06), 0.90, "log D/D: its growth with blur"),
    ("log_lapse", np.log(0.04), 1.0, "log share of answers given without regard to the lenses"),
    ("position", 0.0, 0.25, "thresholds in favour of the second lens"),
    ("minus_liking", 0.04, 0.05, "D of blur forgiven a D of minus: smaller, darker letters pass for sharper"),
    ("cylinder_liking", 0.02, 0.02, "D of blur forgiven a D of cylinder"),
    ("log_scale", 0.0, 0.28, "log: how a dioptre blurs this eye against one of a 4 mm pupil; see `pupil_log_scale`"),
    ("exponent", 1.9, 0.20, "power of blur by which MAR grows; 2 in MAR = 1 + b² (Blendowske 2015)"),
    ("best_logmar", -0.03, 0.30, "logMAR through the right lens"),
    ("any_letter", 0.15, 0.06, "logMAR below the acuity at which some letter is still made out"),
    ("log_letter_noise", np.log(0.05), 0.40, "log logMAR: spread of acuity from one reading to the next"),
    ("reading", 0.04, 0.02, "logMAR by which a line counts as read although it is too small"),
    ("focus", 0.0, 1.0, "accommodation in use, as a normal score; see `accommodation`"),
    ("inner", 0.0, 1.0, "log: blur an eye of poor best acuity carries within, against MAR - 1"),
    ("hedging", 0.0, 1.5, "log odds of hedging an answer near the threshold"),
)
"""What a particle carries besides the power vector. All priors assumed, wide enough to hold the swept ranges of
`patients.patient.Traits` and rules of thumb of other authors."""

NAMES: Final = ("m", "j0", "j45", *(name for name, *_ in NUISANCES))
(
    THRESHOLD, WEBER, SAME, SAME_GROWTH, LAPSE, POSITION, MINUS, CYLINDER, SCALE, EXPONENT, BEST, ANY_LETTER, LETTERS,
    READING, FOCUS, INNER, HEDGING,
) = range(3, 3 + len(NUISANCES))  # fmt: skip
SIZE: Final = len(NAMES)

_CENTRE: Final = np.array([centre for _, centre, _, _ in NUISANCES])
_SPREAD: Final = np.array([spread for _, _, spread, _ in NUISANCES])

BETTER = 0.06  # logMAR: spread of best acuity on the better side; the poorer side is Student's t

# -- the power vector's prior. Assumed: heavy tails, so that any eye a refractor head can serve stays possible.
WIDE_M, WIDE_J = 4.0, 1.5  # D; Student's t of three degrees of freedom, and its half for the astigmatism
NEAR_M, NEAR_J = 0.5, 0.3  # D about a starting point
NEAR_SHARE = 0.8  # of the prior that takes the starting point at its word

RESTING_SHARE = 0.3  # of people who do not focus during the exam; assumed
AGE_UNKNOWN = 20  # years: anything up to the amplitude of this age is possible where the age was not told

_LOGISTIC = 1.702  # slope at which the logistic function is the normal distribution's within 0.01
_FAR = np.float32(20)  # logarithms beyond this are as good as infinite
_LEAST = 1e-4  # probability of any answer whatever; keeps one answer from ruling out an eye for good


def accommodation(score: Singles, age: float | None) -> Singles:
    """Dioptres of focusing in use for a standard normal score: resting people first, then evenly up to the largest
    amplitude of the age (Hofstetter: 25 - 0.40 age)."""
    with np.errstate(over="ignore"):  # far below zero exp goes to infinity and the share to nothing, which is right
        return _accommodation(np.reciprocal(1 + np.exp(-_LOGISTIC * score)), age)


def _accommodation(share: Singles, age: float | None) -> Singles:
    """As `accommodation`, for the share of people who focus less."""
    most = largest_amplitude(AGE_UNKNOWN if age is None else max(age, 1))
    resting = np.minimum(share / RESTING_SHARE, 1) * min(0.25, most)
    awake = np.maximum(share - RESTING_SHARE, 0) / (1 - RESTING_SHARE) * max(0.0, most - 0.25)
    return np.asarray(resting + awake, dtype=np.float32)


def pupil_log_scale(age: float | None) -> float:
    """Prior centre of `log_scale`: pupils shrink with age (common knowledge; the line itself is assumed)."""
    if age is None:
        return 0.0
    return float(np.log(min(max(5.3 - 0.03 * (age - 15), 3.0), 5.3) / 4.0))


@dataclass(frozen=True)
class Prior:
    """What is believed of an eye before its first answer: `start` is the starting point's lens or None, `age` in
    years or None."""

    start: PowerVector | None
    age: float | None

    def _centre(self) -> Array:
        centre: Array = _CENTRE.copy()
        centre[SCALE - 3] = pupil_log_scale(self.age)
        return centre

    def middle(self) -> Array:
        """A particle (SIZE,) in the middle of the prior: no refraction, everybody's habits."""
        return np.concatenate((np.zeros(3), self._centre()))

    def draw(self, count: int, chance: np.random.Generator) -> Array:
        """`count` particles, (SIZE, count)."""
        theta = np.empty((SIZE, count))
        theta[3:] = self._centre()[:, None] + _SPREAD[:, None] * chance.standard_normal((SIZE - 3, count))
        best = chance.standard_normal(count)
        theta[BEST] = np.where(
            best < 0,
            _CENTRE[BEST - 3] + BETTER * best,
            _CENTRE[BEST - 3] + _SPREAD[BEST - 3] * np.abs(chance.standard_t(3, count)),
        )
        theta[M] = WIDE_M * chance.standard_t(3, count)
        length = WIDE_J * np.abs(chance.standard_t(3, count))
        angle = chance.uniform(0, 2 * np.pi, count)
        theta[J0], theta[J45] = length * np.cos(angle), length * np.sin(angle)
        if self.start is not None:
            near = chance.random(count) < NEAR_SHARE
            theta[M] = self.start.m + np.where(near, NEAR_M * chance.standard_t(3, count), theta[M])
            for row, at in ((J0, self.start.j0), (J45, self.start.j45)):
                theta[row] = np.where(near, at + NEAR_J * chance.standard_t(3, count), theta[row])
        return theta

    def log_density(self, theta: Array) -> Array:
        """Logarithm of the prior density of particles (SIZE, n), up to a constant."""
        return self.log_vector(theta) + self.log_person(theta)

    def log_person(self, theta: Array) -> Array:
        """The part of everything but the power vector."""
        z = (theta[3:] - self._centre()[:, None]) / _SPREAD[:, None]
        z[BEST - 3] = 0
        return np.asarray(log_best(theta[BEST]) - 0.5 * np.einsum("ij,ij->j", z, z))

    def log_vector(self, theta: Array) -> Array:
        """The part of the power vector, the first three rows."""
        m, j0, j45 = theta[:3]
        length = np.hypot(j0, j45)
        wide = _log_t(length, WIDE_J) - np.log(np.pi * np.maximum(length, 0.01))
        if self.start is None:
            return np.asarray(wide + _log_t(m, WIDE_M))
        wide += _log_t(m - self.start.m, WIDE_M)
        near = _log_t(m - self.start.m, NEAR_M)
        near += _log_t(j0 - self.start.j0, NEAR_J) + _log_t(j45 - self.start.j45, NEAR_J)
        return np.asarray(np.logaddexp(wide + np.log(1 - NEAR_SHARE), near + np.log(NEAR_SHARE)))


def log_best(logmar: Array) -> Array:
    """Logarithm of the prior density of the best acuity. Halves join with their own heights: each holds half of it."""
    best = logmar - _CENTRE[BEST - 3]
    normal = -0.5 * (best / BETTER) ** 2 - np.log(BETTER) + _LOG_NORMAL
    return np.where(best < 0, normal, _log_t(best, _SPREAD[BEST - 3]))


_LN_10 = np.float32(np.log(10))

# What is let out of its logarithm at once: rows, the factor of each and what it stays below. The last two are log odds.
_LOGS: Final = (THRESHOLD, WEBER, SAME, SAME_GROWTH, LAPSE, SCALE, LETTERS, INNER, BEST, FOCUS, HEDGING)
_LOG_ROWS: Final = np.array(_LOGS)
_FACTORS: Final = np.array([{BEST: _LN_10, FOCUS: -_LOGISTIC, HEDGING: -1}.get(row, 1) for row in _LOGS], np.float32)
_MOST: Final = np.array([{BEST: 4 * _LN_10, FOCUS: 80, HEDGING: 80}.get(row, _FAR) for row in _LOGS], np.float32)
_LOG_NORMAL = -0.5 * np.log(2 * np.pi)
_LOG_T3 = np.log(2 / (np.pi * np.sqrt(3)))


def _log_t(x: Array, scale: float) -> Array:
    """Logarithm of Student's density of three degrees of freedom."""
    return np.asarray(_LOG_T3 - np.log(scale) - 2 * np.log1p((x / scale) ** 2 / 3))


# -- answers as rows of numbers

_SIZES: Final = tuple(line.logmar for line in LINES)
_CHART_TOP = _SIZES[-1]
_HALF_STEP = 0.05  # logMAR: half a line to either side where an acuity is not a line of the chart
_OPEN = 9.0  # logMAR: no bound


@dataclass(frozen=True)
class Answers:
    """Answers of one eye, by form, as columns (n, 1) that broadcast against particles.

    choices   lens vectors and cylinders of both; weight of "the same" and a constant; the second lens named +1,
              the first -1, neither 0; hedged 1, sure 0, not to be counted -1
    lines     `Legible`: lens vector, size (logMAR), weight of yes and of no, a constant
    readings  `AcuityQuestion`: lens vector, bounds of the acuity shown (logMAR)
    """

    choices: Singles
    lines: Singles
    readings: Singles

    @staticmethod
    def none() -> Answers:
        return Answers(*_NONE)

    @staticmethod
    def of(rows: Iterable[Answers]) -> Answers:
        """All of these rows, in order."""
        kept = list(rows)
        return Answers(
            *(
                np.concatenate([none, *(part for part in form if part.shape[1])], axis=1)
                for none, form in zip(
                    _NONE,
                    ([row.choices for row in kept], [row.lines for row in kept], [row.readings for row in kept]),
                    strict=True,
                )
            )
        )

    def plus(self, row: Answers) -> Answers:
        return Answers(
            np.concatenate((self.choices, row.choices), axis=1),
            np.concatenate((self.lines, row.lines), axis=1),
            np.concatenate((self.readings, row.readings), axis=1),
        )

    @cached_property
    def packed(self) -> Packed:
        return Packed.of(self)


_NONE: Final = tuple(np.zeros((size, 0, 1), np.float32) for size in (12, 7, 5))

# Chance of what was heard of the voice, constant + slope * chance of hedging, for a sure answer, a hedged one and one
# where it is not to be counted (index -1).
_HEDGED: Final = (np.array([0.99, 0.01, 1.0], np.float32), np.array([-0.98, 1.0, 0.0], np.float32))

NOT_BLUR: Final = frozenset({"duochrome", "pinhole"})
"""Steps whose answers rest on something else than the blur of the lens: colour, or a pinhole before it."""


def answer_row(question: Question, heard: Heard) -> Answers | None:
    """The answer as a row of its form; None where it says nothing about the eye."""
    if question.eye is Eye.BOTH or question.step in NOT_BLUR:
        return None
    if isinstance(question, Choice):
        return choice_row(question.first, question.second, heard.meaning, heard.hedged)
    if isinstance(question, Legible):
        return line_row(question.lens, question.line, heard.meaning)
    if isinstance(question, AcuityQuestion):
        bounds = _bounds(heard)
        if bounds is None:
            return None
        return _reading_row(question.lens, *bounds)
    return None


_CHOICE_WEIGHTS: Final = {
    # weight of "the same", a constant, the lens named; "can't tell" says little, and that is nearest to "the same"
    Meaning.SECOND: (0.0, 0.0, 1.0),
    Meaning.FIRST: (0.0, 0.0, -1.0),
    Meaning.SAME: (1.0, 0.0, 0.0),
    Meaning.UNSURE: (0.03, 0.01, 0.0),
}


def choice_values(first: Lens, second: Lens, meaning: Meaning, hedged: bool | None = None) -> Values:
    """The column of a choice; `hedged` None: not to be counted. KeyError for what is no answer to a choice."""
    weights = _CHOICE_WEIGHTS[meaning]
    mark = -1.0 if hedged is None or not weights[2] else float(hedged)
    return (*first.vector, first.cylinder / 100, *second.vector, second.cylinder / 100, *weights, mark)


@lru_cache(maxsize=4096)
def choice_row(first: Lens, second: Lens, meaning: Meaning | None, hedged: bool | None = None) -> Answers | None:
    """A choice as a row; `hedged` None: not to be counted."""
    if meaning not in _CHOICE_WEIGHTS:
        return None
    row = columns([choice_values(first, second, meaning, hedged)], 12)
    return Answers(row, _NONE[1], _NONE[2])


_LINE_WEIGHTS: Final = {
    # weight of yes and of no, a constant; "can't tell": hardly a letter was read
    Meaning.YES: (1.0, 0.0, 0.0),
    Meaning.NO: (0.0, 1.0, 0.0),
    Meaning.UNSURE: (0.0, 0.2, 0.02),
}


def line_values(lens: Lens, line: str, meaning: Meaning) -> Values:
    """The column of an answer to "can you read any letter on this line". KeyError for what is none."""
    return (*lens.vector, _logmar(line), *_LINE_WEIGHTS[meaning])


@lru_cache(maxsize=4096)
def line_row(lens: Lens, line: str, meaning: Meaning | None) -> Answers | None:
    """An answer to "can you read any letter on this line" as a row."""
    if meaning not in _LINE_WEIGHTS:
        return None
    return Answers(_NONE[0], columns([line_values(lens, line, meaning)], 7), _NONE[2])


@lru_cache(maxsize=4096)
def _reading_row(lens: Lens, low: float, high: float) -> Answers:
    return Answers(_NONE[0], _NONE[1], columns([(*lens.vector, low, high)], 5))


@lru_cache(maxsize=256)
def _logmar(line: str) -> float:
    return Acuity.parse(line).logmar


def reading_values(lens: Lens) -> list[Values]:
    """The columns of every line that may be read through a lens, and of none at all."""
    return [(*lens.vector, *pair) for pair in pairwise((-_OPEN, *_SIZES, _OPEN))]


def reading_rows(lens: Lens) -> Singles:
    """Every line that may be read through a lens, and none at all, as rows."""
    return columns(reading_values(lens), 5)


Values = tuple[float, ...]


def columns(values: Sequence[Values], size: int) -> Singles:
    """(size, n, 1) of n such columns."""
    return np.asarray(np.array(values, dtype=np.float32).reshape(-1, size).T[:, :, None])


def _bounds(heard: Heard) -> tuple[float, float] | None:
    """Between which acuities (logMAR) a line read puts the eye, before allowance for how lines are counted."""
    if heard.meaning is Meaning.NO:
        return _CHART_TOP, _OPEN
    if heard.meaning is not Meaning.SET_ACUITY:
        return None
    try:
        acuity = Acuity.parse(str(heard.value))
    except AcuityError:
        return None
    if acuity.extra or all(abs(acuity.logmar - size) > 1e-6 for size in _SIZES):
        return acuity.logmar - _HALF_STEP, acuity.logmar + _HALF_STEP
    at = min(range(len(_SIZES)), key=lambda i: abs(_SIZES[i] - acuity.logmar))
    return (_SIZES[at - 1] if at else -_OPEN), _SIZES[at]


@dataclass(frozen=True)
class Packed:
    """Answers sorted for the likelihood: every lens once, whatever was asked about it, and the constants as columns.

    m, j0, j45    the lenses, the first `paired` of them those of choices
    acute         which of them lines were asked about
    order         where each choice was among the answers: the `named`, that name a lens, come first
    first, second, sign   which lenses a choice was between, and +1 for the second, -1 for the first: those that name a
            lens, then those that do not, once for each lens
    minus, cylinder   of the second lens, less than the first (D)
    seen, limit   which lens (within `acute`) and which acuity (logMAR): lines, then the high bounds of readings, then
            the low ones
    """

    m: Singles
    j0: Singles
    j45: Singles
    paired: int
    acute: Places
    order: Places
    named: int
    first: Places
    second: Places
    sign: Singles
    minus: Singles
    cylinder: Singles
    hedge: Singles
    hedge_slope: Singles
    same: Singles
    constant: Singles
    lines: int
    readings: int
    seen: Places
    limit: Singles
    yes: Singles
    no: Singles
    line_constant: Singles

    @staticmethod
    def of(answers: Answers) -> Packed:
        order = np.argsort(answers.choices[10, :, 0] == 0, kind="stable")
        named = int(np.count_nonzero(answers.choices[10]))
        choices, lines, readings = answers.choices[:, order], answers.lines, answers.readings
        both = np.concatenate((choices, choices[:, named:]), axis=1)
        sign = both[10].copy()
        sign[named : len(order)], sign[len(order) :] = 1, -1
        places: dict[tuple[float, ...], int] = {}

        def placed(rows: Singles) -> list[int]:
            return [places.setdefault(tuple(lens), len(places)) for lens in rows[:, :, 0].T.tolist()]

        first, second = placed(both[0:3]), placed(both[4:7])
        paired = len(places)
        told = placed(lines[0:3]), placed(readings[0:3])
        seen = (*told[0], *told[1], *told[1])
        acute = {lens: place for place, lens in enumerate(dict.fromkeys(seen))}
        lenses = np.array(list(places), np.float32).reshape(-1, 3).T[:, :, None]
        hedged = choices[11, :named, 0].astype(int)
        return Packed(
            m=lenses[0],
            j0=lenses[1],
            j45=lenses[2],
            paired=paired,
            acute=np.array(list(acute), int),
            order=order,
            named=named,
            first=np.array(first, int),
            second=np.array(second, int),
            sign=sign,
            minus=both[0] - both[4],
            cylinder=both[3] - both[7],
            hedge=_HEDGED[0][hedged][:, None],
            hedge_slope=_HEDGED[1][hedged][:, None],
            same=choices[8, named:],
            constant=choices[9, named:],
            lines=lines.shape[1],
            readings=readings.shape[1],
            seen=np.array([acute[lens] for lens in seen], int),
            limit=np.concatenate((lines[3], readings[4], readings[3])),
            yes=lines[4],
            no=lines[5],
            line_constant=lines[6],
        )


class Seen:
    """Particles as the likelihood needs them: worked out once, used for every answer."""

    def __init__(self, theta: Array, age: float | None) -> None:
        single = theta.astype(np.float32)
        self.m, self.j0, self.j45 = single[:3]
        logs = single[_LOG_ROWS]
        logs *= _FACTORS[:, None]
        np.minimum(logs, _MOST[:, None], out=logs)
        np.exp(logs, out=logs)
        self.threshold, self.weber, self.same, self.growth, lapse, scale, self.noise, inner, best, *_ = logs
        odds = logs[-2:]
        odds += 1
        np.reciprocal(odds, out=odds)
        self.focus, self.hedging = _accommodation(odds[0], age), odds[1]
        self.lapse = np.minimum(lapse, 0.5)
        self.scale_squared = scale * scale
        self.position, self.minus, self.cylinder = single[POSITION], single[MINUS], single[CYLINDER]
        self.exponent = np.minimum(np.maximum(single[EXPONENT], np.float32(1.0)), np.float32(2.6))
        self.best_mar = best  # minutes of arc; at most logMAR 4: blind
        self.inner = np.maximum(best - 1, 0) * np.minimum(inner, 2)
        self.any_letter, self.reading = single[ANY_LETTER], single[READING]

    def moved(self, theta: Array) -> Seen:
        """The same persons with other power vectors."""
        other = copy(self)
        other.m, other.j0, other.j45 = theta[:3].astype(np.float32)
        return other

    def _blur_squared(self, m: Singles, j0: Singles, j45: Singles) -> Singles:
        """Square of the blur behind lenses, in dioptres at a 4 mm pupil."""
        left = m - self.m
        focused = left + self.focus
        np.minimum(focused, 0, out=focused)
        np.maximum(left, focused, out=left)  # what is too much minus is focused away as far as may be
        left *= left
        for part in (j0 - self.j0, j45 - self.j45):
            part *= part
            left += part
        left *= self.scale_squared
        return np.asarray(left)

    def blur(self, lens: PowerVector) -> Singles:
        """Blur behind a lens, in dioptres at a 4 mm pupil, (particles,)."""
        return np.asarray(self.blurs((lens,))[0])

    def blurs(self, lenses: Sequence[PowerVector]) -> Singles:
        """Blur behind lenses, in dioptres at a 4 mm pupil, (lenses, particles)."""
        m, j0, j45 = np.array(lenses, dtype=np.float32).reshape(-1, 3).T[:, :, None]
        return np.asarray(np.sqrt(self._blur_squared(m, j0, j45)))

    def log_choices(self, choices: Singles) -> Singles:
        """Logarithm of the chance of each choice answer, (n, particles): those that name a lens, then the others."""
        none = Answers.none()
        return self.log_each(Answers(choices, none.lines, none.readings))

    def log_lines(self, lines: Singles) -> Singles:
        """Logarithm of the chance of each answer to "can you read any letter", (n, particles)."""
        none = Answers.none()
        return self.log_each(Answers(none.choices, lines, none.readings))

    def log_readings(self, readings: Singles) -> Singles:
        """Logarithm of the chance of each line read, (n, particles)."""
        none = Answers.none()
        return self.log_each(Answers(none.choices, none.lines, readings))

    def log_each(self, answers: Answers) -> Singles:
        """Logarithm of the chance of each answer, (n, particles): choices that name a lens, those that do not, lines,
        readings."""
        packed = answers.packed
        chances = []
        with np.errstate(over="ignore"):
            b2 = self._blur_squared(packed.m, packed.j0, packed.j45)
            if packed.paired:
                chances += self._choices(packed, b2[: packed.paired])
            if len(packed.acute):
                # Acuity in logMAR behind the lenses.
                b2 = b2[packed.acute]
                b2 += np.float32(1e-6)
                acuity = np.log(self.best_mar + np.exp(0.5 * self.exponent * np.log(b2)))
                acuity *= 1 / _LN_10
                chances += self._acuities(packed, acuity)
        if not chances:
            return np.zeros((0, len(self.m)), np.float32)
        each = np.concatenate(chances)
        each += np.float32(_LEAST)
        return np.asarray(np.log(each, out=each))

    def _choices(self, packed: Packed, b2: Singles) -> list[Singles]:
        blur = np.sqrt(b2 + self.inner)
        better, second = blur.take(packed.first, axis=0), blur.take(packed.second, axis=0)
        both = better + second
        better -= second  # the difference seen (D), above 0: the second lens is better
        told = self.weber / 2 * both  # the noise (D)
        told += self.threshold
        better += self.minus * packed.minus
        better += self.cylinder * packed.cylinder
        better += self.position * told
        zone = both  # the same zone (D)
        zone *= self.growth / 2
        zone += self.same
        beyond = better
        beyond *= packed.sign
        beyond -= zone
        told *= np.float32(-1 / _LOGISTIC)
        p, named, count = beyond / told, packed.named, len(packed.order)
        np.exp(p, out=p)
        p += 1
        looks, stray = 1 - self.lapse, self.lapse / 3
        np.divide(looks, p, out=p)
        made = []
        if named:
            # An answer that came through by a hair is the one that is hedged. Chance of hedging: near * hedging + 0.01.
            near = np.maximum(beyond[:named], 0)
            near /= np.float32(-0.1) - zone[:named]
            np.exp(near, out=near)
            near *= packed.hedge_slope * self.hedging
            near += packed.hedge
            chosen = p[:named]
            chosen += stray
            chosen *= near
            made.append(chosen)
        if named < count:
            alike = (looks + stray) - p[named:count]
            alike -= p[count:]
            alike *= packed.same
            alike += packed.constant
            made.append(alike)
        return made

    def _acuities(self, packed: Packed, acuity: Singles) -> list[Singles]:
        lines, readings = packed.lines, packed.readings
        spare = packed.limit - acuity[packed.seen]
        spare[:lines] += self.any_letter
        spare[lines:] += self.reading
        read = spare * (np.float32(-_LOGISTIC) / self.noise)
        np.exp(read, out=read)
        read += 1
        looks = 1 - self.lapse
        np.divide(looks, read, out=read)
        made = []
        if lines:
            yes, either = packed.yes - packed.no, (packed.yes + packed.no) / 2
            p = yes * read[:lines]
            p += packed.no * looks
            p += either * self.lapse
            p += packed.line_constant
            made.append(p)
        if readings:
            high, low = slice(lines, lines + readings), slice(lines + readings, None)
            near = np.maximum(spare[low], -spare[high]) < 0.35
            p = read[high] - read[low]
            p += np.where(near, np.float32(0.15), np.float32(0.02)) * self.lapse
            made.append(p)
        return made

    def log_likelihood(self, answers: Answers) -> Array:
        """Logarithm of the chance of all answers together, (particles,)."""
        return np.asarray(self.log_each(answers).sum(axis=0, dtype=np.float64))

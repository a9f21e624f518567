"""Cohorts: draw patients from a population, sit each through the exam, and compare the drafts with the truth.

Exam number k of a cohort depends on the cohort's seed and on k alone, and every figure of a `Tally` is a
count or a sum of whole numbers, so neither the order nor the number of workers changes a result, and memory
does not grow with the cohort.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from random import Random
from types import MappingProxyType
from typing import Final, Protocol

from ..evidence.together import weigh
from ..optics.lens import CLICK, Lens, wrap_axis
from ..optics.power_vector import PowerVector
from ..protocol.effects import Ask, Effect, EyeResult, Flag, Prescribe
from ..protocol.exam import Exam
from ..protocol.meanings import Heard
from ..protocol.questions import Eye as Side
from ..protocol.questions import Question
from ..protocol.start import PACES, Manner, Start, StartEye
from .eye import BlurModel, Eye
from .patient import Kind, Traits, VirtualPatient, kind

MOST_REPLIES: Final = 1000
"""An exam that goes on for more answers than this is stopped and flagged `endless`: a fault of the
protocol."""

SphereCylinderAxis = tuple[float, float, float]


@dataclass(frozen=True)
class Population:
    """Where refractions come from: `draw(random, age)` gives the right and left lenses needed (D,
    degrees)."""

    says: str
    draw: Callable[[Random, int], tuple[SphereCylinderAxis, SphereCylinderAxis]]


def _wide(chance: Random, age: int) -> tuple[SphereCylinderAxis, SphereCylinderAxis]:
    def one() -> SphereCylinderAxis:
        return chance.uniform(-8.0, 6.0), chance.uniform(-4.0, 0.0), chance.uniform(0.0, 180.0)

    return one(), one()


# The clinic's distribution. Assumed throughout: a mixture that looks like an adult practice's day, no survey.
_EMMETROPIC_SHARE = 0.6  # the rest are myopes
_EMMETROPES = (0.4, 1.0)  # mean and standard deviation of M, D
_MYOPES = (-2.8, 1.9)
_MOST_M = 8.0  # D either way
_CYLINDER_MEAN = 0.7  # D, exponential, up to _MOST_CYLINDER
_MOST_CYLINDER = 4.0
_OBLIQUE_SHARE = 0.2  # any axis; the rest with the rule (180) when young, against it (90) when old
_AXIS_SD = 12.0  # degrees about those
_EYES_DIFFER = (
    0.35,
    0.25,
    8.0,
)  # standard deviations between the eyes: M (D), cylinder (D), mirrored axis (degrees)


def _clinic(chance: Random, age: int) -> tuple[SphereCylinderAxis, SphereCylinderAxis]:
    mean, spread = _EMMETROPES if chance.random() < _EMMETROPIC_SHARE else _MYOPES
    m = min(max(chance.gauss(mean, spread), -_MOST_M), _MOST_M)
    cylinder = min(chance.expovariate(1 / _CYLINDER_MEAN), _MOST_CYLINDER)
    if chance.random() < _OBLIQUE_SHARE:
        axis = chance.uniform(0.0, 180.0)
    else:
        axis = chance.gauss(180.0 if chance.random() > (age - 30) / 50 else 90.0, _AXIS_SD)
    dm, dc, da = (chance.gauss(0.0, sd) for sd in _EYES_DIFFER)
    other = min(max(cylinder + dc, 0.0), _MOST_CYLINDER)
    return (m + cylinder / 2, -cylinder, axis % 180), (m + dm + other / 2, -other, (180 - axis + da) % 180)


POPULATIONS: Final[Mapping[str, Population]] = MappingProxyType(
    {
        "wide": Population("sphere -8..+6, cylinder 0..-4, any axis, uniform; the eyes unlike each other", _wide),
        "clinic": Population(
            "an adult practice's day: mixture of near-emmetropes and myopes, little cylinder, the eyes alike (assumed)",
            _clinic,
        ),
    }
)


class StartFrom:
    """Where the exam of a cohort starts."""

    ZERO: Final = "zero"
    NEAR: Final = "near"
    OVER_MINUSED: Final = "over-minused"


STARTS: Final = (StartFrom.ZERO, StartFrom.NEAR, StartFrom.OVER_MINUSED)
NEAR_START: Final = 0.75  # D, longest error vector of a near starting point
OVER_MINUS: Final = (0.50, 1.50)  # D too much minus


@dataclass(frozen=True)
class Cohort:
    """Which exams to sit: names of a patient kind, a population and a starting point, a seed, how acuity
    falls with blur, the exam's pace.

    Raises ValueError naming the field and what it may be.
    """

    kind: str = "typical"
    population: str = "wide"
    seed: int = 0
    start: str = StartFrom.ZERO
    blur_model: str = BlurModel.SQUARE.value
    pace: str = PACES[0]
    changes: tuple[tuple[str, float], ...] = ()  # traits of the kind set otherwise, to sweep them

    def __post_init__(self) -> None:
        _ = self.traits  # an unknown kind or trait is refused here, not in mid-cohort
        for name, value, known in (
            ("population", self.population, tuple(POPULATIONS)),
            ("start", self.start, STARTS),
            ("pace", self.pace, PACES),
            ("blur_model", self.blur_model, tuple(model.value for model in BlurModel)),
        ):
            if value not in known:
                raise ValueError(f"{name}: {value!r} is none of {', '.join(known)}")

    @property
    def traits(self) -> Traits:
        """How these patients answer; raises ValueError for a trait there is not or a value it cannot have."""
        of_kind = kind(self.kind).traits
        known = tuple(item.name for item in fields(of_kind))
        for name, _ in self.changes:
            if name not in known:
                raise ValueError(f"trait: {name!r} is none of {', '.join(known)}")
        return replace(of_kind, **dict(self.changes))


@dataclass(frozen=True)
class EyeRecord:
    """One eye of one exam: what it needed, what the draft says, and how it went. Powers in dioptres."""

    side: Side
    truth: Eye
    result: EyeResult
    questions: int  # put to this eye, asked-again ones included
    flags: tuple[str, ...]

    @property
    def needed(self) -> SphereCylinderAxis:
        return self.truth.correction.sphero_cylinder()

    @property
    def error(self) -> PowerVector | None:
        """Draft less truth; None where the draft leaves the eye open."""
        if self.result.sphere is None:
            return None
        drafted = PowerVector.of(self.result.sphere / 100, (self.result.cylinder or 0) / 100, self.result.axis or 180)
        return drafted.minus(self.truth.correction)

    @property
    def axis_error(self) -> float | None:
        """Degrees between the drafted axis and the true one, 0-90; None where either has no cylinder."""
        if self.result.axis is None or not self.truth.correction.astigmatism:
            return None
        return abs((self.result.axis - self.needed[2] + 90) % 180 - 90)


@dataclass(frozen=True)
class SpokenReplies:
    """What became of replies that were spoken and heard.

    counts     of replies, by what became of them
    exchanged  for each "one" taken for "two" or the other way, the eye it was about
    """

    counts: tuple[tuple[str, int], ...] = ()
    exchanged: tuple[str, ...] = ()


@dataclass(frozen=True)
class ExamRecord:
    """One exam of a cohort. `seconds` is how long the patient took to answer, in all; `spoken` None: not spoken."""

    number: int
    age: int
    right: EyeRecord
    left: EyeRecord
    confirmed: bool
    flags: tuple[str, ...]  # those of both eyes together
    seconds: float
    spoken: SpokenReplies | None = None

    @property
    def eyes(self) -> tuple[EyeRecord, EyeRecord]:
        return self.right, self.left


def draw_patient(cohort: Cohort, number: int) -> tuple[VirtualPatient, Start]:
    """Patient and starting point of exam `number`; the same for the same cohort and number, whoever asks."""
    chance = Random(f"{cohort.seed}/{number}")
    chosen = kind(cohort.kind)
    age = chance.randint(*chosen.ages)
    right, left = (_eye(need, age, chosen, cohort, chance) for need in POPULATIONS[cohort.population].draw(chance, age))
    pd = float(round(min(max(chance.gauss(63.0, 3.5), 52.0), 75.0)))  # mean 63 mm: Dodgson, Proc SPIE 2004;5291
    start = Start(
        right=_start(right, cohort.start, chance),
        left=_start(left, cohort.start, chance),
        manner=Manner(pace=cohort.pace),
    )
    return VirtualPatient(right, left, cohort.traits, chance, pd=pd, age=age, habit=chosen.habit), start


def _eye(need: SphereCylinderAxis, age: int, chosen: Kind, cohort: Cohort, chance: Random) -> Eye:
    return Eye.of(
        *need,
        age=age,
        best_logmar=chance.uniform(*chosen.best_logmar),
        pupil_mm=chance.uniform(*chosen.pupil_mm),
        blur_model=BlurModel(cohort.blur_model),
    )


def _start(eye: Eye, where: str, chance: Random) -> StartEye:
    if where == StartFrom.ZERO:
        return StartEye()
    if where == StartFrom.OVER_MINUSED:
        return StartEye(on_the_dials(eye.correction.plus(PowerVector(-chance.uniform(*OVER_MINUS), 0.0, 0.0))))
    direction = [chance.gauss(0.0, 1.0) for _ in range(3)]
    length = chance.uniform(0.0, NEAR_START) / (math.hypot(*direction) or 1.0)
    return StartEye(on_the_dials(eye.correction.plus(PowerVector(*(length * part for part in direction)))))


def on_the_dials(vector: PowerVector) -> Lens:
    """The lens of quarter steps and whole degrees nearest to a power vector, cylinder before sphere."""
    _, cylinder, axis = vector.sphero_cylinder()
    clicks = round(cylinder * 100 / CLICK) * CLICK
    sphere = round((vector.m * 100 - clicks / 2) / CLICK) * CLICK
    return Lens(sphere, clicks, wrap_axis(round(axis)))


class Replied(Protocol):
    """A reply: what of it reaches the exam, and after how many seconds."""

    @property
    def seconds(self) -> float: ...

    def heard(self) -> Heard: ...


class Replying(Protocol):
    """Whoever sits an exam: a `VirtualPatient`, or one whose replies go through a room and a recogniser."""

    @property
    def right(self) -> Eye: ...

    @property
    def left(self) -> Eye: ...

    @property
    def age(self) -> int | None: ...

    def reply(self, question: Question) -> Replied: ...


class Sitting(Protocol):
    """What a patient sits through: the verbs of `protocol.exam.Exam`."""

    @property
    def question(self) -> Question | None: ...

    def begin(self) -> tuple[Effect, ...]: ...

    def hear(self, heard: Heard) -> tuple[Effect, ...]: ...

    def close(self) -> tuple[Effect, ...]: ...


def sit(patient: Replying, exam: Sitting, number: int = 0) -> ExamRecord:
    """Take a patient through an exam from its first question to the draft.

    The same machine as a live exam: the only difference is that nobody can mishear.
    """
    asked: Counter[Side] = Counter()
    flags: dict[Side, list[str]] = {side: [] for side in Side}
    seconds = 0.0
    draft: Prescribe | None = None

    def take(effects: tuple[Effect, ...]) -> None:
        nonlocal draft
        for effect in effects:
            if isinstance(effect, Ask):
                asked[effect.question.eye] += 1
            elif isinstance(effect, Flag):
                flags[effect.eye].append(effect.code)
            elif isinstance(effect, Prescribe):
                draft = effect

    take(exam.begin())
    replies = 0
    while draft is None:
        if replies >= MOST_REPLIES:
            flags[Side.BOTH].append("endless")
            take(exam.close())
            break
        assert exam.question is not None, "an exam that is not over has a question"
        reply = patient.reply(exam.question)
        seconds += reply.seconds
        take(exam.hear(reply.heard()))
        replies += 1
    assert draft is not None, "an exam that is over has a draft"

    def eye(side: Side, truth: Eye, result: EyeResult) -> EyeRecord:
        return EyeRecord(side, truth, result, asked[side], tuple(flags[side]))

    return ExamRecord(
        number,
        patient.age or 0,
        eye(Side.RIGHT, patient.right, draft.right),
        eye(Side.LEFT, patient.left, draft.left),
        draft.confirmed,
        tuple(flags[Side.BOTH]),
        seconds,
    )


def exam_of(cohort: Cohort, number: int) -> ExamRecord:
    """Sit exam `number` of the cohort."""
    patient, start = draw_patient(cohort, number)
    return sit(patient, Exam(start, weigh), number)


def exams(cohort: Cohort, first: int, last: int) -> Iterator[ExamRecord]:
    """Exams `first` up to, not including, `last`."""
    for number in range(first, last):
        yield exam_of(cohort, number)


COLUMNS: Final = (
    *("number", "age", "eye", "true_sphere", "true_cylinder", "true_axis", "true_m", "true_j0", "true_j45"),
    *("accommodation", "best_logmar", "pupil_mm", "sphere", "cylinder", "axis", "acuity"),
    *(
        "error_m",
        "error_j0",
        "error_j45",
        "error",
        "axis_error",
        "questions",
        "complete",
        "confirmed",
        "flags",
    ),
)
"""Columns of `rows`: dioptres, degrees, logMAR, millimetres, years; flags of the eye and of both, blank
between."""

Cell = str | int | float | bool | None


def rows(record: ExamRecord) -> Iterator[dict[str, Cell]]:
    """One row an eye, right first: every column of `COLUMNS`, None where the draft leaves it open."""
    for eye in record.eyes:
        sphere, cylinder, axis = eye.needed
        error, result, truth = eye.error, eye.result, eye.truth
        cells: tuple[Cell, ...] = (
            *(record.number, record.age, eye.side.value, _cell(sphere), _cell(cylinder), _cell(axis)),
            *(_cell(part) for part in truth.correction),
            *(_cell(truth.accommodation), _cell(truth.best_logmar), _cell(truth.pupil_mm)),
            *(_powers(result.sphere), _powers(result.cylinder), result.axis, result.acuity),
            *((_cell(part) for part in error) if error is not None else (None, None, None)),
            *(_cell(error.blur) if error is not None else None, _cell(eye.axis_error), eye.questions),
            *(result.complete, record.confirmed, " ".join((*eye.flags, *record.flags))),
        )
        yield dict(zip(COLUMNS, cells, strict=True))


def _cell(value: float | None) -> float | None:
    return None if value is None else round(value, 4)


def _powers(hundredths: int | None) -> float | None:
    return None if hundredths is None else hundredths / 100


# -- what came of it

_GRAIN: Final = 1000  # errors are counted in thousandths of a dioptre
_FARTHEST: Final = 50 * _GRAIN  # beyond fifty dioptres an error is fifty

CYLINDER_BANDS: Final = (0.25, 0.50, 0.75, 1.50, math.inf)
"""Upper ends of the bands of true cylinder (D) axis errors are given by: those of ANSI Z80.1-2015's axis
tolerances."""

LIMITS: Final = (0.25, 0.50)  # D, the limits of agreement published for human examiners
ASTIGMATISM_LIMIT: Final = 0.16  # D for J0 and J45: the cylinder's 95 % limit (Rosenfield & Chiu 1995)

HUMAN_EXAMINERS: Final = (
    "same examiner, 95 %: sphere ±0.27, cylinder ±0.16, M ±0.29 D (Rosenfield & Chiu, Optom Vis Sci 1995;72:577-579)",
    "between examiners: M 80 % within 0.25 D, 95 % within 0.50 D (Goss & Grosvenor, J Am Optom Assoc 1996;67:619-630)",
    "40 optometrists, one patient, SD: M 0.28, J0 0.084, J45 0.086 D "
    "(G.E. MacKenzie, Ophthalmic Physiol Opt 2008;28:143-150)",
    "3 optometrists, 86 people, 95 %: M ±0.70, J0 ±0.29 D (Photonics 2024;11:634)",
    "axis, SD: about 10 degrees (J Cataract Refract Surg 2020;46:1659-1666)",
)

Figures = dict[str, float | int | None]


@dataclass
class Histogram:
    """Counts of a whole-number quantity: percentiles, mean and spread without keeping the values."""

    counts: Counter[int] = field(default_factory=Counter)

    def add(self, value: int) -> None:
        self.counts[value] += 1

    def merge(self, other: Histogram) -> None:
        self.counts.update(other.counts)

    @property
    def n(self) -> int:
        return self.counts.total()

    def percentile(self, share: float) -> int | None:
        """Smallest value that at least `share` (0-1) of all do not exceed; None of nothing."""
        wanted = max(1, math.ceil(share * self.n - 1e-9))
        for value in sorted(self.counts):
            wanted -= self.counts[value]
            if wanted <= 0:
                return value
        return None

    def share_within(self, limit: int) -> float | None:
        """Share of values of size `limit` or less; None of nothing."""
        return sum(n for value, n in self.counts.items() if abs(value) <= limit) / self.n if self.n else None

    def mean(self) -> float | None:
        return sum(value * n for value, n in self.counts.items()) / self.n if self.n else None

    def deviation(self) -> float | None:
        """Standard deviation; None of fewer than two."""
        if self.n < 2:
            return None
        total = sum(value * n for value, n in self.counts.items())
        squares = sum(value * value * n for value, n in self.counts.items())
        return math.sqrt(max(0.0, (squares - total * total / self.n) / (self.n - 1)))

    def sizes(self) -> Histogram:
        """The same without signs."""
        unsigned = Histogram()
        for value, n in self.counts.items():
            unsigned.counts[abs(value)] += n
        return unsigned


def _grains(dioptres: float) -> int:
    return min(max(round(dioptres * _GRAIN), -_FARTHEST), _FARTHEST)


def _band(cylinder: float) -> int:
    return next(i for i, upper in enumerate(CYLINDER_BANDS) if abs(cylinder) <= upper + 1e-9)


@dataclass
class Tally:
    """Running figures of a cohort; tallies of parts of it merge into the same figures, whatever the parts."""

    exams: int = 0
    unconfirmed: int = 0
    open_eyes: int = 0  # eyes the draft leaves open
    unflagged_outside: int = 0  # M or the vector off by more than 0.50 D, and no flag says so
    outside: int = 0
    seconds: Histogram = field(default_factory=Histogram)  # tenths of a second a patient took in all
    questions: Histogram = field(default_factory=Histogram)
    m: Histogram = field(default_factory=Histogram)
    j0: Histogram = field(default_factory=Histogram)
    j45: Histogram = field(default_factory=Histogram)
    vector: Histogram = field(default_factory=Histogram)
    sphere: Histogram = field(default_factory=Histogram)
    cylinder: Histogram = field(default_factory=Histogram)
    axis: list[Histogram] = field(default_factory=lambda: [Histogram() for _ in CYLINDER_BANDS])  # degrees
    spoken: Counter[str] = field(default_factory=Counter)  # replies by what became of them
    misled: int = 0  # eyes with a "one" taken for "two", off by more than 0.50 D, and no flag says so
    flags: Counter[str] = field(default_factory=Counter)  # eyes (or, for both, exams) with that flag

    def add(self, record: ExamRecord) -> None:
        self.exams += 1
        self.unconfirmed += not record.confirmed
        self.seconds.add(round(record.seconds * 10))
        self.flags.update(set(record.flags))
        exchanged: tuple[str, ...] = ()
        if record.spoken is not None:
            self.spoken.update(dict(record.spoken.counts))
            exchanged = record.spoken.exchanged
        for eye in record.eyes:
            self._add_eye(eye)
            off = eye.error is not None and eye.error.blur > LIMITS[-1]
            self.misled += eye.side.value in exchanged and off and not eye.flags

    def _add_eye(self, eye: EyeRecord) -> None:
        self.questions.add(eye.questions)
        self.flags.update(set(eye.flags))
        error = eye.error
        if error is None:
            self.open_eyes += 1
            return
        for histogram, part in (
            (self.m, error.m),
            (self.j0, error.j0),
            (self.j45, error.j45),
            (self.vector, error.blur),
        ):
            histogram.add(_grains(part))
        sphere, cylinder, _ = eye.needed
        self.sphere.add(_grains((eye.result.sphere or 0) / 100 - sphere))
        self.cylinder.add(_grains((eye.result.cylinder or 0) / 100 - cylinder))
        if (axis := eye.axis_error) is not None:
            self.axis[_band(cylinder)].add(round(axis))
        if error.blur > LIMITS[-1]:
            self.outside += 1
            self.unflagged_outside += not eye.flags

    def merge(self, other: Tally) -> None:
        for name in ("exams", "unconfirmed", "open_eyes", "outside", "unflagged_outside", "misled"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for name in ("seconds", "questions", "m", "j0", "j45", "vector", "sphere", "cylinder"):
            getattr(self, name).merge(getattr(other, name))
        for mine, theirs in zip(self.axis, other.axis, strict=True):
            mine.merge(theirs)
        self.flags.update(other.flags)
        self.spoken.update(other.spoken)

    def summary(self) -> dict[str, object]:
        """All figures as plain values for JSON: dioptres, degrees, seconds, shares from 0 to 1."""
        return {
            "exams": self.exams,
            "eyes": self.questions.n,
            "open_eyes": self.open_eyes,
            "unconfirmed": self.unconfirmed,
            "error": {
                name: _figures(getattr(self, name)) for name in ("m", "j0", "j45", "sphere", "cylinder", "vector")
            },
            "agreement": {
                "m_within_0.25": self.m.share_within(_grains(0.25)),
                "m_within_0.50": self.m.share_within(_grains(0.50)),
                "j0_within_0.16": self.j0.share_within(_grains(ASTIGMATISM_LIMIT)),
                "j45_within_0.16": self.j45.share_within(_grains(ASTIGMATISM_LIMIT)),
                "vector_within_0.25": self.vector.share_within(_grains(0.25)),
                "vector_within_0.30": self.vector.share_within(_grains(0.30)),
                "vector_within_0.50": self.vector.share_within(_grains(0.50)),
            },
            "outside_0.50": self.outside,
            "outside_0.50_unflagged": self.unflagged_outside,
            "axis_error": [
                {
                    "cylinder_to": None if upper == math.inf else upper,
                    "eyes": h.n,
                    "median": h.percentile(0.5),
                    "p95": h.percentile(0.95),
                }
                for upper, h in zip(CYLINDER_BANDS, self.axis, strict=True)
            ],
            "questions_an_eye": {
                "median": self.questions.percentile(0.5),
                "p95": self.questions.percentile(0.95),
                "most": self.questions.percentile(1.0),
                "mean": _rounded(self.questions.mean(), 2),
            },
            "answering_seconds_an_exam": {
                "median": _scaled(self.seconds.percentile(0.5), 0.1),
                "p95": _scaled(self.seconds.percentile(0.95), 0.1),
            },
            "flags": dict(sorted(self.flags.items())),
            **({"spoken": dict(sorted(self.spoken.items())), "misled": self.misled} if self.spoken else {}),
        }


def _figures(errors: Histogram) -> Figures:
    sizes = errors.sizes()
    return {
        "bias": _scaled(errors.mean(), 1 / _GRAIN),
        "sd": _scaled(errors.deviation(), 1 / _GRAIN),
        **{
            f"p{round(share * 1000) / 10:g}": _scaled(sizes.percentile(share), 1 / _GRAIN)
            for share in (0.5, 0.9, 0.95, 0.99, 1.0)
        },
    }


def _scaled(value: float | None, unit: float) -> float | None:
    return None if value is None else round(value * unit, 4)


def _rounded(value: float | None, places: int) -> float | None:
    return None if value is None else round(value, places)

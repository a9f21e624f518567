"""Patients as other people may write them, who know only the line protocol: for testing the protocol's
robustness.

Nothing is shared with `assistant.patients`: the optics here are the second formula (C0 = C cos 2a, C45 = C
sin 2a, T. Olsen, J Cataract Refract Surg, letter), the lenses are the JSON of `question` events, and each
rule of thumb - when two lenses are "the same", when a line is unreadable, how acuity falls with blur, whether
the eye can focus - is a knob with several plausible settings.

    patient = ForeignPatient(Rules(same=0.05), right=(-2.0, -1.0, 30, 0.0), left=(...), seed=1)
    patient.say({"form": "choice", "eye": "right", "choices": [lens, lens], ...})   -> "two"
    patient.hear(question)                                                        -> protocol Heard
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from random import Random
from typing import Any

from assistant.optics.lens import Lens
from assistant.protocol.meanings import Heard, Meaning, Outcome, Speaker
from assistant.protocol.questions import AcuityQuestion, Choice, Confirm, Legible, Question, Value

LINES = (10, 15, 20, 25, 30, 40, 50, 60, 70, 80, 100, 150, 200, 300, 400)
_BR_J = (
    (0.0, 20),
    (0.5, 30),
    (0.75, 40),
    (1.0, 50),
    (1.25, 70),
    (1.5, 100),
    (2.0, 150),
    (2.5, 200),
    (3.0, 250),
    (3.5, 300),
)
_PETERS = ((0.0, 20), (1.0, 60), (1.5, 100), (2.5, 200))


@dataclass(frozen=True)
class Rules:
    """One author's idea of a patient.

    same          D of blur difference below which the answer is "same"; None: never "same", ties go by `tie`.
    same_share    the same as a share of the larger blur (0.05-0.30); the larger of both zones counts.
    tie           between equal lenses where "same" is never said: "first", "second", "minus", "plus".
    minus_ties    equally clear lenses: the more minus is preferred although "same" could be said.
    legible       "blur": 20/20 unreadable from `limit` D of blur on, other lines in proportion of the acuity
                  relation; "acuity": some letter readable up to `limit` lines smaller than the acuity.
    acuity        "square" best MAR * (1 + b²); "added" best MAR + b²; "chart" and "peters" published tables;
                  "lines" three lines a dioptre, "steep" MAR = 1 + 2b, "weighted" 0.3 logMAR a D of sphere and
                  0.2 of cylinder.
    read          how the line is rounded: "down" only lines fully read, "near" the nearest line.
    focus         D an eye adds by accommodation; 0 none. `lag` is the share it leaves undone.
    noise         D, standard deviation of the difference of blur; `noise_growth` more per D of blur.
    lapse         share of random answers.
    hedge         D of difference below which the answer is hedged.
    acuity_noise  logMAR.
    words         "short" ("two"), "long" ("the second one"), "mixed".
    cannot        what is said where no line can be read: "no", "20/400", "can't tell".
    """

    same: float | None = 0.05
    same_share: float = 0.0
    tie: str = "first"
    minus_ties: bool = False
    legible: str = "acuity"
    limit: float = 2.0
    acuity: str = "square"
    read: str = "down"
    focus: float = 0.0
    lag: float = 0.0
    noise: float = 0.0
    noise_growth: float = 0.0
    lapse: float = 0.0
    hedge: float = 0.0
    acuity_noise: float = 0.0
    words: str = "short"
    cannot: str = "no"

    @property
    def name(self) -> str:
        """The settings that differ from the default, for test ids."""
        default = Rules()
        told = [
            f"{f.name}={getattr(self, f.name)}"
            for f in fields(self)
            if getattr(self, f.name) != getattr(default, f.name)
        ]
        return ",".join(told) or "default"


Refraction = tuple[float, float, float, float]
"""The lens that makes the eye sharp (sphere, cylinder, axis) and its best acuity in logMAR."""


def _crossed(sphere: float, cylinder: float, axis: float) -> tuple[float, float, float]:
    """(spherical equivalent, C0, C45)."""
    doubled = 2 * math.radians(axis)
    return sphere + cylinder / 2, cylinder * math.cos(doubled), cylinder * math.sin(doubled)


def _table(rows: Sequence[tuple[float, int]], blur: float) -> float:
    """logMAR by a published table, interpolated, its last slope kept beyond the end."""
    for (b0, d0), (b1, d1) in itertools.pairwise(rows):
        if blur <= b1 or b1 == rows[-1][0]:
            l0, l1 = math.log10(d0 / 20), math.log10(d1 / 20)
            return l0 + (l1 - l0) * (blur - b0) / (b1 - b0)
    raise AssertionError


class ForeignPatient:
    """Answers the questions of the line protocol by `Rules`; the same seed answers the same."""

    def __init__(
        self, rules: Rules, right: Refraction, left: Refraction, seed: int = 0, pd: int = 62, age: int = 40
    ) -> None:
        self.rules, self.pd, self.age = rules, pd, age
        self.eyes = {"right": right, "left": left, "both": min(right, left, key=lambda eye: eye[3])}
        self.random = Random(seed)

    # -- seeing

    def _left_over(self, eye: str, lens: Mapping[str, Any]) -> tuple[float, float]:
        """(spherical part after focusing, astigmatic part as a cylinder power), dioptres."""
        sphere, cylinder, axis, _ = self.eyes[eye]
        m, c0, c45 = _crossed(lens["sphere"], lens["cylinder"], lens["axis"])
        cross = lens.get("cross_cylinder")
        if cross:
            _, x0, x45 = _crossed(cross["power"], -2 * cross["power"], cross["minus_axis"])
            c0, c45 = c0 + x0, c45 + x45
        tm, t0, t45 = _crossed(sphere, cylinder, axis)
        m -= tm
        if m < 0:
            m += min(-m, self.rules.focus) * (1 - self.rules.lag)
        return m, math.hypot(c0 - t0, c45 - t45)

    def blur(self, eye: str, lens: Mapping[str, Any]) -> float:
        m, cylinder = self._left_over(eye, lens)
        return math.hypot(m, cylinder / 2)

    def _acuity_of(self, best: float, m: float, cylinder: float) -> float:
        blur, mar = math.hypot(m, cylinder / 2), 10.0**best
        if self.rules.acuity == "square":
            return best + math.log10(1 + blur**2)
        if self.rules.acuity == "added":
            return math.log10(mar + blur**2)
        if self.rules.acuity == "chart":
            return best + _table(_BR_J, blur)
        if self.rules.acuity == "peters":
            return best + _table(_PETERS, blur)
        if self.rules.acuity == "lines":
            return best + 0.3 * blur
        if self.rules.acuity == "steep":
            return best + math.log10(1 + 2 * blur)
        if self.rules.acuity == "weighted":
            return best + 0.3 * abs(m) + 0.2 * cylinder
        raise ValueError(self.rules.acuity)

    def logmar(self, eye: str, lens: Mapping[str, Any]) -> float:
        acuity = self._acuity_of(self.eyes[eye][3], *self._left_over(eye, lens))
        return acuity + (self.random.gauss(0, self.rules.acuity_noise) if self.rules.acuity_noise else 0.0)

    # -- saying

    def say(self, question: Mapping[str, Any]) -> str:
        """The words for a `question` event of the line protocol."""
        return self._words(*self.answer(question))

    def answer(self, question: Mapping[str, Any]) -> tuple[Meaning, Any, bool]:
        """(meaning, value, hedged) for a `question` event."""
        form = question["form"]
        if form == "choice":
            return self._choice(question)
        if form == "legible":
            return (Meaning.YES if self._legible(question) else Meaning.NO), None, False
        if form == "acuity":
            return self._line(question)
        if form == "value":
            known = {"pd": (Meaning.SET_PD, self.pd), "age": (Meaning.SET_AGE, self.age)}
            meaning, value = known.get(question["of"], (Meaning.SKIP, None))
            return meaning, value, False
        return Meaning.CONFIRM, None, False

    def _choice(self, question: Mapping[str, Any]) -> tuple[Meaning, None, bool]:
        rules, chance = self.rules, self.random
        if rules.lapse and chance.random() < rules.lapse:
            return chance.choice((Meaning.FIRST, Meaning.SECOND, Meaning.SAME)), None, False
        one, two = question["choices"]
        first, second = self.blur(question["eye"], one), self.blur(question["eye"], two)
        better = first - second
        if rules.noise:
            better += chance.gauss(0, rules.noise + rules.noise_growth * (first + second) / 2)
        minus = [lens["sphere"] + lens["cylinder"] / 2 for lens in (one, two)]
        zone = max(rules.same or 0.0, rules.same_share * max(first, second))
        if abs(better) <= max(zone, 1e-9):
            if rules.minus_ties and minus[0] != minus[1]:
                return (Meaning.FIRST if minus[0] < minus[1] else Meaning.SECOND), None, True
            if rules.same is not None:
                return Meaning.SAME, None, False
            if abs(better) < 1e-9:
                by_minus = Meaning.FIRST if minus[0] <= minus[1] else Meaning.SECOND
                by_plus = Meaning.FIRST if minus[0] >= minus[1] else Meaning.SECOND
                return (
                    {"first": Meaning.FIRST, "second": Meaning.SECOND, "minus": by_minus, "plus": by_plus}[rules.tie],
                    None,
                    True,
                )
        return (Meaning.SECOND if better > 0 else Meaning.FIRST), None, abs(better) <= rules.hedge

    def _legible(self, question: Mapping[str, Any]) -> bool:
        if self.rules.lapse and self.random.random() < self.rules.lapse:
            return self.random.random() < 0.5
        above, _, below = question["line"].partition("/")
        size = math.log10(float(below) / float(above))
        acuity = self.logmar(question["eye"], question["lens"])
        if self.rules.legible == "acuity":
            return size >= acuity - self.rules.limit / 10 - 1e-9
        spare = self._acuity_of(0.0, self.rules.limit, 0.0)  # a 20/20 eye loses 20/20 at exactly `limit` D
        return size > acuity - spare + 1e-9

    def _line(self, question: Mapping[str, Any]) -> tuple[Meaning, Any, bool]:
        acuity = self.logmar(question["eye"], question["lens"])
        if self.rules.lapse and self.random.random() < self.rules.lapse:
            acuity += self.random.choice((-0.2, 0.2))
        slack = 1e-9 if self.rules.read == "down" else 0.05
        for below in LINES:
            if math.log10(below / 20) >= acuity - slack:
                return Meaning.SET_ACUITY, f"20/{below}", False
        if self.rules.cannot == "20/400":
            return Meaning.SET_ACUITY, "20/400", False
        return (Meaning.NO if self.rules.cannot == "no" else Meaning.UNSURE), None, False

    def _words(self, meaning: Meaning, value: Any, hedged: bool) -> str:
        long = self.rules.words == "long" or (self.rules.words == "mixed" and self.random.random() < 0.5)
        if meaning is Meaning.FIRST:
            return "um, one I think" if hedged else "the first one" if long else "one"
        if meaning is Meaning.SECOND:
            return "um, two I think" if hedged else "the second one" if long else "two"
        if meaning is Meaning.SAME:
            return "about the same" if long else "same"
        if meaning is Meaning.UNSURE:
            return "can't tell"
        if meaning is Meaning.SET_ACUITY:
            return f"vision {value}" if long else str(value)
        if meaning is Meaning.SET_PD:
            return f"p d {value}" if long else str(value)
        if meaning is Meaning.SET_AGE:
            return f"age {value}" if long else str(value)
        return str(meaning.value)

    # -- without words

    def hear(self, question: Question) -> Heard:
        """The answer as a hearing side without a fault hands it to the exam."""
        meaning, value, hedged = self.answer(event(question))
        by = Speaker.EXAMINER if isinstance(question, Confirm) else Speaker.PATIENT
        return Heard(self._words(meaning, value, hedged), Outcome.HEARD, meaning, value, by=by, hedged=hedged)


def lens_json(lens: Lens) -> dict[str, Any]:
    cross = None if lens.cross is None else {"power": lens.cross.power / 100, "minus_axis": lens.cross.minus_axis}
    return {
        "sphere": lens.sphere / 100,
        "cylinder": lens.cylinder / 100,
        "axis": lens.axis,
        "cross_cylinder": cross,
    }


def event(question: Question) -> dict[str, Any]:
    """The keys of a `question` event that a patient needs."""
    told: dict[str, Any] = {"eye": question.eye.value, "step": question.step, "form": question.form}
    if isinstance(question, Choice):
        told["choices"] = [lens_json(question.first), lens_json(question.second)]
    elif isinstance(question, Legible):
        told |= {"lens": lens_json(question.lens), "line": question.line}
    elif isinstance(question, AcuityQuestion):
        told["lens"] = lens_json(question.lens)
    elif isinstance(question, Value):
        told["of"] = question.of
    else:
        told["what"] = question.what
    return told


def one_at_a_time() -> Iterator[Rules]:
    """Every knob's settings, one turned at a time from the default, noise-free."""
    yield Rules()
    for same in (0.0, 0.01, 0.02, 0.03, 0.06, 0.10, 0.125, 0.15, 0.20, 0.25, None):
        yield Rules(same=same)
    for tie in ("second", "minus", "plus"):
        yield Rules(same=None, tie=tie)
    for share in (0.05, 0.10, 0.20, 0.30):
        yield Rules(same_share=share)
        yield Rules(same=0.0, same_share=share)
    for limit in (0.0, 1.0, 3.0):
        yield Rules(limit=limit)
    for limit in (0.25, 0.50, 0.75, 1.00):
        yield Rules(legible="blur", limit=limit)
    for acuity in ("added", "chart", "peters", "lines", "steep", "weighted"):
        yield Rules(acuity=acuity)
        yield Rules(acuity=acuity, legible="blur", limit=0.75)
    yield Rules(read="near")
    for focus in (0.5, 1.0, 2.0, 5.0, 10.0):
        yield Rules(focus=focus)
        yield Rules(focus=focus, lag=0.1)
        yield Rules(focus=focus, minus_ties=True)
        yield Rules(focus=focus, same=None, tie="minus")
        yield Rules(focus=focus, same=None, tie="first")
    for hedge in (0.1, 0.3):
        yield Rules(hedge=hedge)
    for cannot in ("20/400", "can't tell"):
        yield Rules(cannot=cannot)
    for words in ("long", "mixed"):
        yield Rules(words=words)


def noisy() -> Iterator[Rules]:
    """Plausible human noise on top: what others may call a typical patient."""
    for noise, growth, lapse, acuity_noise in (
        (0.03, 0.0, 0.0, 0.0),
        (0.05, 0.05, 0.02, 0.02),
        (0.06, 0.10, 0.02, 0.05),
        (0.10, 0.10, 0.02, 0.05),
        (0.10, 0.20, 0.05, 0.05),
        (0.15, 0.10, 0.10, 0.10),
    ):
        base = Rules(noise=noise, noise_growth=growth, lapse=lapse, acuity_noise=acuity_noise, hedge=noise * 2)
        yield base
        yield replace(base, same=0.10, same_share=0.10)
        yield replace(base, same=None)
        yield replace(base, legible="blur", limit=0.75, acuity="chart")
        yield replace(base, focus=5.0)


def mixed(seed: int, noise: bool = False) -> Rules:
    """A random author: every knob drawn at once."""
    draw = Random(seed)
    legible = draw.choice(("acuity", "blur"))
    focus = draw.choice((0.0, 0.0, 0.5, 2.0, 6.0))
    return Rules(
        same=draw.choice((None, 0.0, 0.02, 0.05, 0.10, 0.15)),
        same_share=draw.choice((0.0, 0.0, 0.05, 0.10, 0.20)),
        tie=draw.choice(("first", "second", "minus", "plus")),
        minus_ties=focus > 0 and draw.random() < 0.3,
        legible=legible,
        limit=draw.choice((1.0, 2.0, 3.0)) if legible == "acuity" else draw.choice((0.5, 0.75, 1.0)),
        acuity=draw.choice(("square", "added", "chart", "peters", "lines", "steep", "weighted")),
        read=draw.choice(("down", "near")),
        focus=focus,
        noise=draw.choice((0.03, 0.06, 0.10)) if noise else 0.0,
        noise_growth=draw.choice((0.0, 0.1)) if noise else 0.0,
        lapse=draw.choice((0.0, 0.02, 0.05)) if noise else 0.0,
        acuity_noise=draw.choice((0.0, 0.03, 0.06)) if noise else 0.0,
        hedge=draw.choice((0.0, 0.1, 0.25)),
        words=draw.choice(("short", "long", "mixed")),
        cannot=draw.choice(("no", "20/400", "can't tell")),
    )


def wide_eye(draw: Random, best: Sequence[float] = (0.0,)) -> Refraction:
    """Sphere -8..+6, cylinder 0..-4, any axis: uniform, not on the dials' quarter steps."""
    return draw.uniform(-8, 6), draw.uniform(-4, 0), draw.uniform(0, 180), draw.choice(tuple(best))


def error(eye: Refraction, sphere: float, cylinder: float, axis: float | None) -> tuple[float, float, float]:
    """(M, J0, J45) of a prescription less the truth, dioptres."""
    pm, p0, p45 = _crossed(sphere, cylinder, axis or 180)
    tm, t0, t45 = _crossed(*eye[:3])
    return pm - tm, -(p0 - t0) / 2, -(p45 - t45) / 2

"""Virtual patients: two eyes and a person who answers the exam's questions, as people do.

A choice is made on the difference of perceived blur, in units of the difference this person can just tell at
that blur, with inner noise, a "same" zone, likings, lapses and fatigue. Nothing here knows the protocol: a
patient sees only the question and its lenses. All chance comes from the `random.Random` it is given, so a
seed gives one patient.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from random import Random
from types import MappingProxyType
from typing import Final

from ..optics.acuity import Acuity
from ..optics.lens import Lens
from ..protocol.meanings import Heard, Meaning, Outcome, Speaker
from ..protocol.questions import AcuityQuestion, Choice, Confirm, Legible, Question, Value
from ..protocol.questions import Eye as Side
from .eye import Eye, smallest_line

Said = int | float | str | None


@dataclass(frozen=True)
class Traits:
    """How a person answers. Every number has its unit; "swept" marks what no source gives and simulations
    vary.

    threshold         D. Difference of blur told right 84 % of the time (one standard deviation of the inner
                      noise) near best focus. 0.05-0.07 near the limit of acuity (Optom Vis Sci
                      1989;66:545-553).
    weber             D per D. Growth of that difference with the blur already there. Assumed, swept 0.0-0.3:
                      at 0.05 a person 1.4 D out of focus sees a step of 0.25 D, about a line, three times in
                      four.
    same_zone         D. Perceived difference below which the answer is "same", near best focus; grows like
                      the threshold. Between telling at all (0.05) and noticing unprompted (0.28-0.33, Vision
                      Res 2005;45:1967-1974). Assumed, swept 0.03-0.30.
    noise             Inner noise in units of the just-told difference: 1 a person, 0 an ideal observer.
    lapse             Share of answers given without regard to the lenses. Assumed, swept 0-0.15.
    position_bias     Just-told differences in favour of "two" (negative: of "one"). Assumed, swept -1..+1.
    minus_liking      D of blur forgiven per D of more minus: smaller, darker letters pass for sharper.
                      Assumed, swept 0-0.2.
    cylinder_liking   D of blur forgiven per D of more cylinder: patients tend to take more than they need
                      (common practice). Assumed, swept 0-0.1.
    hedge_zone        D beyond the same zone where an answer is hedged ("um, two I think"). Assumed, swept.
    hedge             Share of answers in that zone that are hedged; elsewhere a fiftieth of it. Assumed.
    again             Share of choices answered "again" or "can't tell" first. Assumed.
    off_topic         Share of questions answered by something that is no answer. Assumed.
    fatigue           Growth of noise and lapses a hundred questions (0.5: half as much again). Assumed.
    letter_noise      logMAR. Standard deviation of the acuity a person shows from one reading to the next.
                      Assumed, swept 0-0.1 (two letters and a half at 0.05).
    any_letter        logMAR smaller than the acuity at which some letter of a line is still made out. Set so
                      that a 20/20 eye loses the 20/20 line at three clicks of plus (common practice). Swept
                      0-0.3.
    seconds           s. Median time from the end of the question to a sure answer. Assumed.
    hesitation        s. Added at the edge of the same zone and within. Assumed.
    """

    threshold: float = 0.06
    weber: float = 0.05
    same_zone: float = 0.08
    noise: float = 1.0
    lapse: float = 0.02
    position_bias: float = 0.0
    minus_liking: float = 0.03
    cylinder_liking: float = 0.02
    hedge_zone: float = 0.10
    hedge: float = 0.5
    again: float = 0.02
    off_topic: float = 0.005
    fatigue: float = 0.2
    letter_noise: float = 0.04
    any_letter: float = 0.15
    seconds: float = 1.0
    hesitation: float = 1.2

    def __post_init__(self) -> None:
        for field in ("lapse", "hedge", "again", "off_topic"):
            if not 0 <= getattr(self, field) <= 1:
                raise ValueError(f"{field}: {getattr(self, field)!r} is not a share from 0 to 1")
        for field in (
            "weber",
            "same_zone",
            "noise",
            "hedge_zone",
            "fatigue",
            "letter_noise",
            "any_letter",
            "hesitation",
        ):
            if not 0 <= getattr(self, field) < math.inf:
                raise ValueError(f"{field}: {getattr(self, field)!r} is not zero or more")
        for field in ("threshold", "seconds"):
            if not 0 < getattr(self, field) < math.inf:
                raise ValueError(f"{field}: {getattr(self, field)!r} is not above zero")
        for field in ("position_bias", "minus_liking", "cylinder_liking"):
            if not math.isfinite(getattr(self, field)):
                raise ValueError(f"{field}: {getattr(self, field)!r} is not a finite number")


@dataclass(frozen=True)
class Reply:
    """What a patient says: the words, what they mean (None: nothing the exam asked for), and how they were
    said.

    value    as in `protocol.meanings.Heard`; seconds  from the end of the question to the answer; by  who
             answers.
    """

    text: str
    meaning: Meaning | None
    value: Said = None
    seconds: float = 1.0
    hedged: bool = False
    by: Speaker = Speaker.PATIENT

    def heard(self) -> Heard:
        """The reply as a hearing side without a fault hands it to the exam."""
        if not self.text:
            return Heard("", Outcome.SILENCE, by=self.by)
        outcome = Outcome.HEARD if self.meaning is not None else Outcome.NOT_UNDERSTOOD
        return Heard(self.text, outcome, self.meaning, self.value, by=self.by, after=self.seconds, hedged=self.hedged)


PLAIN: Final[Mapping[Meaning, Sequence[str]]] = MappingProxyType(
    {
        Meaning.FIRST: ("one", "the first one", "number one"),
        Meaning.SECOND: ("two", "the second one", "number two"),
        Meaning.SAME: ("same", "about the same", "they look the same"),
        Meaning.UNSURE: ("can't tell", "i can't tell"),
        Meaning.AGAIN: ("again", "show me again"),
        Meaning.YES: ("yes", "just barely"),
        Meaning.NO: ("no",),
    }
)
HEDGED: Final[Mapping[Meaning, Sequence[str]]] = MappingProxyType(
    {
        Meaning.FIRST: ("um, one i think", "maybe one"),
        Meaning.SECOND: ("um, two i think", "maybe two"),
        Meaning.SAME: ("um, same i think",),
        Meaning.YES: ("i think so", "um yes"),
        Meaning.NO: ("i don't think so",),
    }
)
OFF_TOPIC: Final = ("is my chin in the right place", "it is rather warm in here", "my bus leaves at five")

LAPSE_LINES: Final = 3
"""A lapse on a letter line misses the acuity by up to so many tenths of logMAR either way. Assumed."""
SLOWEST: Final = 8.0
"""Longest time in seconds an answer takes. Assumed."""

NEAR_DISTANCES: Final = MappingProxyType({"near": 250, "intermediate": 150})
"""Steps whose pairs are looked at from near, and the vergence of that distance in hundredths of a dioptre (40 and
67 cm, where the exam holds its cards; common practice)."""
KEPT_UP: Final = 0.5
"""Share of the amplitude of accommodation that is kept up at near (Millodot, Dictionary of Optometry, 2009)."""

Habit = Callable[["VirtualPatient", Question], Reply | None]


class VirtualPatient:
    """A person with two eyes in the chair. `reply` answers any question of the protocol.

    right, left   the eyes.
    traits        how they answer.
    seed          a whole number, or the `random.Random` to draw from.
    pd, age       millimetres and years, told when asked; None: "skip".
    habit         for hostile kinds: answers instead of the eyes where it returns a reply.

    Questions to both eyes are answered by the one that sees better there; pairs at near, which carry the right
    eye's lens, by the right eye; a balance by each eye through its own lens.
    """

    def __init__(
        self,
        right: Eye,
        left: Eye,
        traits: Traits | None = None,
        seed: int | Random = 0,
        *,
        pd: float | None = 63.0,
        age: int | None = 40,
        habit: Habit | None = None,
    ) -> None:
        self.right = right
        self.left = left
        self.traits = traits if traits is not None else Traits()
        self.random = seed if isinstance(seed, Random) else Random(seed)
        self.pd = pd
        self.age = age
        self.asked = 0
        self._habit = habit

    def eye(self, side: Side) -> Eye:
        """The eye a question is put to; of both, the one of better acuity."""
        if side is Side.RIGHT:
            return self.right
        if side is Side.LEFT:
            return self.left
        return min(self.right, self.left, key=lambda eye: eye.best_logmar)

    def reply(self, question: Question) -> Reply:
        """One answer to one question. Asking again draws anew, as asking a person again does."""
        if isinstance(question, Confirm):
            return Reply("confirm", Meaning.CONFIRM, by=Speaker.EXAMINER)
        self.asked += 1
        if self._habit is not None and (reply := self._habit(self, question)) is not None:
            return reply
        if isinstance(question, Value):
            return self._tell(question)
        if self._happens(self.traits.off_topic):
            return self._spoken(None, text=self.random.choice(OFF_TOPIC))
        if isinstance(question, Choice):
            return self._choose(question)
        if isinstance(question, Legible):
            return self._make_out(question)
        return self._read(question)

    # -- the forms of question

    def _tell(self, question: Value) -> Reply:
        known: dict[str, tuple[Meaning, Said, str]] = {}
        if self.pd is not None:
            known["pd"] = (Meaning.SET_PD, self.pd, f"p d {self.pd:g}")
        if self.age is not None:
            known["age"] = (Meaning.SET_AGE, self.age, f"age {self.age}")
        if question.of not in known:
            return Reply("skip", Meaning.SKIP, by=Speaker.EXAMINER)
        meaning, value, text = known[question.of]
        return Reply(text, meaning, value)

    def _choose(self, question: Choice) -> Reply:
        traits, chance = self.traits, self.random
        if self._happens(traits.again):
            return self._spoken(chance.choice((Meaning.AGAIN, Meaning.UNSURE)), slow=1.0)
        if self._lapses():
            return self._spoken(chance.choice((Meaning.FIRST, Meaning.SECOND, Meaning.SAME)))
        first, second = (eye.perceived(lens) for eye, lens in self._views(question))
        growth = 1 + traits.weber / traits.threshold * (first + second) / 2
        told = traits.threshold * growth  # what this person can just tell here, D
        better = first - second - self._liking(question.first) + self._liking(question.second)  # > 0: two
        better += traits.position_bias * told
        if traits.noise:
            better += chance.gauss(0.0, traits.noise * self._tired() * told)
        same = traits.same_zone * growth
        beyond = abs(better) - same  # D outside the same zone
        if beyond <= 0:
            return self._spoken(Meaning.SAME, slow=1.0, hedge=self._happens(traits.hedge / 3))
        meaning = Meaning.SECOND if better > 0 else Meaning.FIRST
        near = beyond < traits.hedge_zone * growth
        hedge = self._happens(traits.hedge if near else traits.hedge / 50)
        slow = math.exp(-beyond / (traits.hedge_zone * growth)) if traits.hedge_zone else 0.0
        return self._spoken(meaning, slow=slow, hedge=hedge)

    def _views(self, question: Choice) -> tuple[tuple[Eye, Lens], tuple[Eye, Lens]]:
        """Which eye looks through which lens, as at distance: a near lens less what the near distance takes off it."""
        if question.step == "balance" and question.eye is Side.BOTH:
            return (self.right, question.first), (self.left, question.second)
        distance = NEAR_DISTANCES.get(question.step)
        if distance is None:
            eye = self.eye(question.eye)
            return (eye, question.first), (eye, question.second)
        kept_up = replace(self.right, accommodation=self.right.accommodation * KEPT_UP)
        first, second = (lens.with_sphere(lens.sphere - distance) for lens in (question.first, question.second))
        return (kept_up, first), (kept_up, second)

    def _make_out(self, question: Legible) -> Reply:
        traits = self.traits
        if self._lapses():
            return self._spoken(self.random.choice((Meaning.YES, Meaning.NO)))
        to_spare = (
            Acuity.parse(question.line).logmar - self._shown_acuity(question.eye, question.lens) + traits.any_letter
        )
        meaning = Meaning.YES if to_spare >= -1e-9 else Meaning.NO
        near = abs(to_spare) < max(2 * traits.letter_noise, 1e-9)
        return self._spoken(meaning, slow=1.0 if near else 0.0, hedge=near and self._happens(traits.hedge))

    def _read(self, question: AcuityQuestion) -> Reply:
        logmar = self._shown_acuity(question.eye, question.lens)
        if self._lapses():
            logmar += self.random.uniform(-LAPSE_LINES, LAPSE_LINES) / 10
        line = smallest_line(logmar)
        if line is None:
            return self._spoken(Meaning.NO, text="i can't read any of it")
        return self._spoken(Meaning.SET_ACUITY, value=line, text=f"vision {spoken_line(line)}", slow=0.5)

    # -- what colours an answer

    def _liking(self, lens: Lens) -> float:
        """Dioptres of blur forgiven a lens for looking smaller, darker or stronger."""
        vector = lens.vector
        return -self.traits.minus_liking * vector.m - self.traits.cylinder_liking * lens.cylinder / 100

    def _shown_acuity(self, side: Side, lens: Lens) -> float:
        logmar = self.eye(side).acuity(lens)
        if self.traits.letter_noise:
            logmar += self.random.gauss(0.0, self.traits.letter_noise * self._tired())
        return logmar

    def _tired(self) -> float:
        return 1 + self.traits.fatigue * self.asked / 100

    def _happens(self, share: float) -> bool:
        return share > 0 and self.random.random() < share

    def _lapses(self) -> bool:
        return self._happens(min(1.0, self.traits.lapse * self._tired()))

    def _spoken(
        self,
        meaning: Meaning | None,
        *,
        value: Said = None,
        text: str | None = None,
        slow: float = 0.0,
        hedge: bool = False,
    ) -> Reply:
        traits, chance = self.traits, self.random
        if text is None:
            assert meaning is not None
            hedge = hedge and meaning in HEDGED
            phrases = HEDGED[meaning] if hedge else PLAIN[meaning]
            text = chance.choice(phrases) if traits.noise else phrases[0]
        seconds = traits.seconds
        if traits.noise:
            seconds *= math.exp(chance.gauss(0.0, 0.2))
        seconds += traits.hesitation * slow + (traits.hesitation if hedge else 0.0)
        return Reply(text, meaning, value, round(min(seconds, SLOWEST), 2), hedge)


_ONES: Final = (
    "zero",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
    "thirteen",
    "fourteen",
    "fifteen",
    "sixteen",
    "seventeen",
    "eighteen",
    "nineteen",
)
_TENS: Final = ("", "", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")


def _spoken_number(number: int) -> str:
    if number < 20:
        return _ONES[number]
    if number < 100:
        return _TENS[number // 10] + (f" {_ONES[number % 10]}" if number % 10 else "")
    hundreds = f"{_ONES[number // 100]} hundred"
    return hundreds + (f" {_spoken_number(number % 100)}" if number % 100 else "")


def spoken_line(line: str) -> str:
    """A Snellen fraction as it is said: "20/25" -> "twenty twenty five", "20/100" -> "twenty one hundred"."""
    return " ".join(_spoken_number(int(part)) for part in line.split("/"))


# -- kinds of patients


@dataclass(frozen=True)
class Kind:
    """A named kind of patient: how they answer and what eyes they bring (ranges are drawn from uniformly).

    ages in years; best_logmar the best corrected acuity; pupil in mm. Assumed, but pupils shrink with age
    (common knowledge). `habit` makes a hostile kind.
    """

    says: str
    traits: Traits
    ages: tuple[int, int] = (18, 75)
    best_logmar: tuple[float, float] = (-0.1, 0.0)
    pupil_mm: tuple[float, float] = (3.5, 5.5)
    habit: Habit | None = None


def _always(choice: Meaning, legible: Meaning) -> Habit:
    def habit(patient: VirtualPatient, question: Question) -> Reply | None:
        if isinstance(question, (AcuityQuestion, Value)):
            return None  # reads honestly: the letters are what gives such a patient away
        meaning = choice if isinstance(question, Choice) else legible
        return Reply(PLAIN[meaning][0], meaning, seconds=patient.traits.seconds)

    return habit


def _random(patient: VirtualPatient, question: Question) -> Reply | None:
    if isinstance(question, Value):
        return None
    if isinstance(question, AcuityQuestion):
        line = patient.random.choice(("20/20", "20/25", "20/30", "20/40", "20/60", "20/100", "20/200"))
        return Reply(f"vision {spoken_line(line)}", Meaning.SET_ACUITY, line)
    answers = (
        (Meaning.FIRST, Meaning.SECOND, Meaning.SAME) if isinstance(question, Choice) else (Meaning.YES, Meaning.NO)
    )
    meaning = patient.random.choice(answers)
    return Reply(PLAIN[meaning][0], meaning)


def _silent(patient: VirtualPatient, question: Question) -> Reply:
    return Reply("", None, seconds=SLOWEST)


def _contradictory(patient: VirtualPatient, question: Question) -> Reply | None:
    """Takes back what was just said: "one" and "two", "yes" and "no" in turn, whatever stands before the
    eye."""
    if isinstance(question, (AcuityQuestion, Value)):
        return None
    pair = (Meaning.FIRST, Meaning.SECOND) if isinstance(question, Choice) else (Meaning.YES, Meaning.NO)
    meaning = pair[patient.asked % 2]
    return Reply(PLAIN[meaning][0], meaning)


TYPICAL: Final = Traits()
EXACT: Final = Traits(
    threshold=0.03,
    weber=0.0,
    same_zone=0.03,
    noise=0.0,
    lapse=0.0,
    minus_liking=0.0,
    cylinder_liking=0.0,
    hedge_zone=0.0,
    hedge=0.0,
    again=0.0,
    off_topic=0.0,
    fatigue=0.0,
    letter_noise=0.0,
)
STEADY: Final = replace(
    TYPICAL,
    threshold=0.05,
    weber=0.03,
    same_zone=0.06,
    lapse=0.005,
    minus_liking=0.01,
    cylinder_liking=0.01,
    again=0.01,
    off_topic=0.0,
    fatigue=0.1,
    letter_noise=0.03,
)

KINDS: Final[Mapping[str, Kind]] = MappingProxyType(
    {
        "exact": Kind(
            "noise-free, deterministic: for checking the protocol, no person",
            EXACT,
            best_logmar=(0.0, 0.0),
            pupil_mm=(4.0, 4.0),
        ),
        "steady": Kind("attentive, tells small differences", STEADY),
        "typical": Kind("an everyday patient", TYPICAL),
        "elderly": Kind(
            "slow, unsure, small pupils, no accommodation",
            replace(
                TYPICAL,
                threshold=0.09,
                weber=0.08,
                same_zone=0.14,
                lapse=0.03,
                again=0.06,
                off_topic=0.02,
                fatigue=0.5,
                seconds=2.0,
                hesitation=2.0,
                letter_noise=0.06,
            ),
            ages=(70, 90),
            best_logmar=(-0.02, 0.18),
            pupil_mm=(2.5, 3.5),
        ),
        "young": Kind(
            "clears minus by focusing and likes it",
            replace(TYPICAL, minus_liking=0.12, seconds=0.7, hesitation=0.8),
            ages=(10, 25),
            best_logmar=(-0.15, -0.05),
            pupil_mm=(4.5, 6.5),
        ),
        "poor-acuity": Kind(
            "sees 20/40 to 20/100 at best",
            replace(
                TYPICAL,
                threshold=0.10,
                weber=0.08,
                same_zone=0.14,
                lapse=0.03,
                seconds=1.5,
                letter_noise=0.07,
            ),
            ages=(40, 90),
            best_logmar=(0.3, 0.7),
            pupil_mm=(2.5, 4.5),
        ),
        "inconsistent": Kind(
            "answers wander: many lapses, much noise",
            replace(
                TYPICAL,
                threshold=0.12,
                weber=0.12,
                same_zone=0.12,
                lapse=0.10,
                again=0.05,
                off_topic=0.02,
                fatigue=0.6,
                letter_noise=0.08,
            ),
        ),
        "always-one": Kind("says one and yes, whatever is shown", TYPICAL, habit=_always(Meaning.FIRST, Meaning.YES)),
        "always-two": Kind("says two and no, whatever is shown", TYPICAL, habit=_always(Meaning.SECOND, Meaning.NO)),
        "always-same": Kind("says same and can't tell", TYPICAL, habit=_always(Meaning.SAME, Meaning.UNSURE)),
        "random": Kind("answers by chance, letters too", TYPICAL, habit=_random),
        "silent": Kind("says nothing", TYPICAL, habit=_silent),
        "contradictory": Kind("takes back every answer with the next", TYPICAL, habit=_contradictory),
    }
)
HOSTILE: Final = tuple(name for name, kind in KINDS.items() if kind.habit is not None)


def kind(name: str) -> Kind:
    """The kind of that name; raises ValueError listing the names there are."""
    try:
        return KINDS[name]
    except KeyError:
        raise ValueError(f"kind: {name!r} is none of {', '.join(KINDS)}") from None


def patient(
    name: str, right: Eye, left: Eye, seed: int | Random = 0, *, pd: float | None = 63.0, age: int | None = 40
) -> VirtualPatient:
    """A patient of a named kind with these eyes. Raises ValueError for an unknown kind."""
    chosen = kind(name)
    return VirtualPatient(right, left, chosen.traits, seed, pd=pd, age=age, habit=chosen.habit)

"""Whether an eye's answers fit together: what they tell of the patient rather than of the lens.

Every answer is kept with its question. Once an eye is done, all of them are held against its final lens: do they
fit it better than answers by chance would (`fit`)? Where that is in doubt, and where a run of answers is such as
honest patients seldom give, a pair is shown again in reverse order (`to_repeat`, `to_ask_at_end`). The numbers
are design choices, set by simulation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from statistics import median

from ..optics.lens import CLICK
from ..optics.power_vector import PowerVector
from . import plan
from .effects import Flag
from .eye import EyeState, line_feet
from .meanings import Heard, Meaning, Outcome
from .questions import AcuityQuestion, Choice, Legible, Question
from .weighing import Said

_POSITIONS = frozenset({Meaning.FIRST, Meaning.SECOND})


@dataclass(frozen=True)
class Answer:
    """One answer that was used. `repeats` is the answer whose pair was shown again in reverse order."""

    question: Question
    meaning: Meaning
    value: int | float | str | None = None
    after: float | None = None
    hedged: bool = False
    repeats: Answer | None = None

    @staticmethod
    def of(question: Question, heard: Heard, repeats: Answer | None = None) -> Answer:
        assert heard.meaning is not None
        return Answer(question, heard.meaning, heard.value, heard.after, heard.hedged, repeats)

    @property
    def heard(self) -> Heard:
        """The answer as it was heard, as far as it says something about the eye."""
        return self.pair[1]

    @cached_property
    def pair(self) -> tuple[Question, Heard]:
        """The question, and the answer as `heard`."""
        heard = Heard("", Outcome.HEARD, self.meaning, self.value, after=self.after, hedged=self.hedged)
        return self.question, heard

    @property
    def firm(self) -> bool:
        """One lens was named, without hesitation."""
        return self.meaning in _POSITIONS and not self.hedged

    @property
    def is_check(self) -> bool:
        """A pair shown only to see whether the lens is answered."""
        return self.repeats is not None or self.question.step == "control"

    @property
    def contradicts(self) -> bool:
        """A repeated pair where the other lens was named this time: the position was answered, not the lens."""
        return self.repeats is not None and self.meaning is self.repeats.meaning and self.meaning in _POSITIONS


Answers = tuple[Answer, ...]


def choices(answers: Answers) -> list[Answer]:
    return [one for one in answers if isinstance(one.question, Choice)]


# ------------------------------------------------------------------------------------------- pairs repeated
def to_repeat(answers: Answers) -> tuple[Answer, Choice] | None:
    """The answer to be checked now and its pair in reverse order, or None where nothing calls for it.

    Called for on the way by a long run of answers for one position, or of answers in turn.
    """
    made = choices(answers)
    run = [one.meaning for one in made if not one.is_check]
    same, turns = run[-plan.RUN_OF_ONE :], run[-plan.RUN_IN_TURN :]
    one_sided = len(same) == plan.RUN_OF_ONE and len(set(same)) == 1 and same[0] in _POSITIONS
    in_turn = (
        len(turns) == plan.RUN_IN_TURN and set(turns) == _POSITIONS and all(a is not b for a, b in pairwise(turns))
    )
    if not (one_sided or in_turn):
        return None
    repeats = [at for at, one in enumerate(made) if one.is_check]
    if len(repeats) >= plan.CATCHES_MOST or (repeats and len(made) - repeats[-1] <= plan.CATCH_APART):
        return None
    return _reversed(made[-plan.RUN_OF_ONE :])


def to_ask_at_end(eye: EyeState, answers: Answers, said: Said | None = None) -> tuple[Answer | None, Choice] | None:
    """As `to_repeat`, when the eye is about to be done and its answers do not yet speak for its lens.

    A pair that was plainly different comes again in reverse order; where there was none such, a control: the lens
    and one with plainly too much plus, which no eye can take for clearer.
    """
    made = choices(answers)
    checks = [one for one in made if one.is_check]
    if len(checks) >= plan.CATCHES_MOST or len(made) < plan.CHOICES_TO_JUDGE:
        return None
    position, often = _most(made)
    weighed = None if _few(answers) else said
    doubtful = (
        (weighed is None or weighed.least_bits < plan.BITS_SURE)  # found in less time than what follows
        and not _sure(eye, answers)
        and (weighed is None or weighed.bits < plan.BITS_SURE)
    )
    if not (doubtful or (not checks and often >= plan.ONE_SIDED * len(made))):
        return None
    dull = _dull(answers)
    done = {one.repeats.question for one in checks if one.repeats is not None}
    plain = [one for one in made if one.question not in done and _told_apart(one.question, eye) >= plan.PLAIN * dull]
    repeated = _reversed(plain)
    if repeated is not None:
        return repeated
    fog = min(round(4 * dull) * CLICK, plan.CONTROL_MOST)
    foggy = eye.lens.with_sphere(min(eye.lens.sphere + fog, plan.SPHERE_HIGH))
    if foggy == eye.lens:  # the dial is at its end
        return None
    pair = (foggy, eye.lens) if position is Meaning.FIRST else (eye.lens, foggy)
    return None, Choice(eye.eye, "control", *pair)


def _told_apart(pair: Question, eye: EyeState) -> float:
    """How much the blur of a pair's lenses differs as seen from the eye's lens, dioptres, whether it focuses or not."""
    assert isinstance(pair, Choice)
    target = eye.lens.vector
    return min(
        abs(_blur(pair.first.vector, target, focusing) - _blur(pair.second.vector, target, focusing))
        for focusing in (False, True)
    )


def _dull(answers: Answers) -> float:
    """How much less an eye tells lenses apart than one that reads 20/20: as the best line it read, at least 1."""
    best = min((_logmar(one) for one in answers if _is_line(one)), default=0.0)
    return max(1.0, math.pow(10.0, best))


def _reversed(made: list[Answer]) -> tuple[Answer, Choice] | None:
    """Of these answers the one whose pair was most plainly different, and the pair in reverse order."""
    firm = [one for one in made if one.firm and not one.is_check and one.question.step != "duochrome"]
    if not firm:
        return None
    picked = max(firm, key=lambda one: _apart(one.question))
    pair = picked.question
    assert isinstance(pair, Choice)
    return picked, Choice(pair.eye, "repeat_reversed", pair.second, pair.first)


def _apart(pair: Question) -> float:
    assert isinstance(pair, Choice)
    return pair.first.vector.minus(pair.second.vector).blur


def _most(made: list[Answer]) -> tuple[Meaning, int]:
    """The position named most, and how often."""
    counts = {meaning: sum(one.meaning is meaning for one in made) for meaning in (Meaning.FIRST, Meaning.SECOND)}
    most = max(counts, key=lambda meaning: counts[meaning])
    return most, counts[most]


# ------------------------------------------------------------------------------------------------- the fit
@dataclass(frozen=True)
class Fit:
    """How the answers fit the final lens.

    evidence  natural logarithm of how much likelier they are from an eye that this lens makes sharp than by chance
    answers   how many were held against it; `against` of them plainly speak for another lens
    """

    evidence: float
    answers: int
    against: int


def fit(eye: EyeState, answers: Answers) -> Fit:
    """All choices and lines read, held against the eye's final lens.

    The eye may focus through what is more minus than that lens, or not: whichever fits better counts.
    """
    return max((_fit(eye, answers, focusing) for focusing in (False, True)), key=lambda seen: seen.evidence)


def _fit(eye: EyeState, answers: Answers, focusing: bool) -> Fit:
    best = min((_logmar(one) for one in answers if _is_line(one)), default=0.0)
    dull = _dull(answers)
    evidence, counted, against = 0.0, 0, 0
    for one in answers:
        chance = 0.0
        if isinstance(one.question, Choice) and one.question.step != "duochrome":
            if one.meaning is Meaning.UNSURE:
                continue
            chance = _choice_fits(one, eye.lens.vector, focusing, dull)
            counted += 1
        elif _is_line(one):
            chance = _line_fits(one, eye.lens.vector, focusing, best)
            counted += 1
        else:
            continue
        against += chance < plan.FIT_AGAINST
        evidence += math.log(plan.FIT_STRAY + (1 - plan.FIT_STRAY) * chance)
    return Fit(evidence, counted, against)


def _choice_fits(one: Answer, target: PowerVector, focusing: bool, dull: float) -> float:
    """How much likelier than by chance (one in three) an answer is from an eye that the lens makes sharp."""
    pair = one.question
    assert isinstance(pair, Choice)
    first, second = (_blur(lens.vector, target, focusing) for lens in (pair.first, pair.second))
    spread = (plan.FIT_SPREAD + plan.FIT_SPREAD_IN_BLUR * (first + second) / 2) * dull
    zone = plan.FIT_SAME / plan.FIT_SPREAD * spread
    prefers_second = _below((first - second - zone) / spread)
    prefers_first = _below((second - first - zone) / spread)
    alike = max(0.0, 1 - prefers_first - prefers_second)
    named = plan.FIT_NAMED * alike  # some people name a lens rather than say "the same"
    told = {Meaning.FIRST: prefers_first + named / 2, Meaning.SECOND: prefers_second + named / 2}
    chance = 3 * told.get(one.meaning, alike - named)
    if focusing and one.meaning in _POSITIONS:
        m_first, m_second = pair.first.vector.m, pair.second.vector.m
        minus = m_first < m_second if one.meaning is Meaning.FIRST else m_second < m_first
        if minus and max(m_first, m_second) <= target.m + CLICK / 100:
            return max(chance, 1.0)  # smaller, darker letters pass for sharper: it says nothing of the focus
    return chance


def _line_fits(one: Answer, target: PowerVector, focusing: bool, best: float) -> float:
    """How much likelier than any line of the chart the line read is; MAR grows as 1 + b² (Blendowske 2015)."""
    question = one.question
    assert isinstance(question, AcuityQuestion)
    blur = _blur(question.lens.vector, target, focusing)
    spread = plan.FIT_LINE_SPREAD + plan.FIT_LINE_SPREAD_IN_BLUR * blur
    off = (_logmar(one) - math.log10(10.0**best + blur * blur)) / spread
    return plan.FIT_CHART * math.exp(-off * off / 2) / (spread * math.sqrt(2 * math.pi))


def _is_line(one: Answer) -> bool:
    told = isinstance(one.question, AcuityQuestion) and one.question.step not in ("pinhole", "unaided")
    return told and one.meaning is Meaning.SET_ACUITY


def _logmar(one: Answer) -> float:
    return math.log10(line_feet(str(one.value)) / 20)


def _below(deviations: float) -> float:
    """Share of a normal distribution below so many standard deviations."""
    return (1 + math.erf(deviations / math.sqrt(2))) / 2


def _blur(lens: PowerVector, target: PowerVector, focusing: bool) -> float:
    left = lens.minus(target)
    m = max(left.m, 0.0) if focusing else left.m
    return math.sqrt(m * m + left.j0 * left.j0 + left.j45 * left.j45)


# ---------------------------------------------------------------------------------------------- the judgement
def hopeless(answers: Answers) -> bool:
    """Whether every pair that may be repeated was, and each time the place was answered: more questions say no more."""
    repeats = [one for one in answers if one.repeats is not None]
    return sum(one.contradicts for one in repeats) >= plan.CATCHES_MOST


PERSON_DOUBTED = frozenset({"position_bias", "no_preference", "answers_do_not_fit"})
"""Flags that say the answers may not come from looking at the lenses."""

UNRELIABLE = PERSON_DOUBTED | {"lens_open"}
"""Flags after which an eye's lens is not taken for its refraction."""


def judge(eye: EyeState, answers: Answers, said: Said | None = None) -> tuple[Flag, ...]:
    """What an eye's answers give reason to doubt, each with its evidence, once the eye is done.

    `said` is what the answers together say of the eye, where that was asked for.
    """
    fitting = _fitting(eye, answers) if said is None or _few(answers) else _weighing(eye, answers, said)
    return (*_repeats(eye, answers), *_preferences(eye, answers), *fitting, *_manner(eye, answers))


def _repeats(eye: EyeState, answers: Answers) -> tuple[Flag, ...]:
    made = choices(answers)
    checks = [one for one in made if one.is_check]
    against = [one for one in checks if one.contradicts or _control_failed(one)]
    if not against:
        return ()
    position, often = _most(made)
    if often >= plan.ONE_SIDED * len(made):
        facts = {"position": position.value, "answers": often, "of": len(made), "repeated": len(checks)}
        return (Flag("position_bias", eye.eye, facts),)
    return (Flag("contradiction", eye.eye, {"contradicted": len(against), "repeated": len(checks)}),)


def _control_failed(one: Answer) -> bool:
    """The lens with plainly too much plus was named the clearer."""
    pair = one.question
    if not isinstance(pair, Choice) or pair.step != "control" or one.meaning not in _POSITIONS:
        return False
    return (one.meaning is Meaning.FIRST) == (pair.first.sphere > pair.second.sphere)


def _preferences(eye: EyeState, answers: Answers) -> tuple[Flag, ...]:
    made = choices(answers)
    if len(made) < plan.NO_PREFERENCE or any(one.meaning in _POSITIONS for one in made):
        return ()
    return (Flag("no_preference", eye.eye, {"of": len(made)}),)


def _fitting(eye: EyeState, answers: Answers) -> tuple[Flag, ...]:
    if len(choices(answers)) < plan.CHOICES_TO_JUDGE:
        return ()
    seen = fit(eye, answers)
    facts = {"answers": seen.answers, "against": seen.against, "evidence": round(seen.evidence, 1)}
    least, each = plan.FIT_LEAST_GIVEN if eye.given else plan.FIT_LEAST
    if seen.evidence >= max(least, each * seen.answers):
        return ()
    return (Flag("answers_do_not_fit", eye.eye, facts),)


def _sure(eye: EyeState, answers: Answers) -> bool:
    """Whether an eye is done without being checked; a starting point is some evidence already."""
    seen = fit(eye, answers)
    sure, each = plan.FIT_SURE_GIVEN if eye.given else plan.FIT_SURE
    return seen.evidence >= max(sure, each * seen.answers)


def _few(answers: Answers) -> bool:
    """Too few looks at lenses to tell looking from habit."""
    return sum(isinstance(one.question, (Choice, Legible)) for one in answers) < plan.LOOKS_TO_JUDGE


def _weighing(eye: EyeState, answers: Answers, said: Said) -> tuple[Flag, ...]:
    """Whether the lenses foretold the answers, and whether the answers speak for the lens."""
    flags = []
    if said.least_bits < plan.BITS_LEAST:
        # Few answers about a lens that was nearly right cannot hold many bits.
        least = plan.BITS_LEAST_SURE if _sure(eye, answers) else plan.BITS_LEAST
        if said.least_bits < least and said.bits < least:
            seen = fit(eye, answers)
            facts = {"answers": seen.answers, "against": seen.against, "evidence": round(said.bits, 1)}
            flags.append(Flag("answers_do_not_fit", eye.eye, facts))
    off = said.off(eye.lens)
    if off > plan.LENS_OPEN:
        facts = {"chance": round(off, 2), "m": round(2 * said.spread.m, 2)}
        flags.append(Flag("lens_open", eye.eye, facts))
    return tuple(flags)


def _manner(eye: EyeState, answers: Answers) -> tuple[Flag, ...]:
    """How the answers came: too soon to have looked, or slower and slower."""
    flags = []
    timed = [one for one in answers if one.after is not None and isinstance(one.question, (Choice, Legible))]
    fast = [one for one in timed if one.after is not None and one.after < plan.TOO_FAST]
    if len(fast) >= plan.TOO_FAST_TIMES:
        flags.append(Flag("too_fast", eye.eye, {"answers": len(fast), "of": len(timed), "seconds": plan.TOO_FAST}))
    third = len(timed) // 3
    if third >= plan.FATIGUE_ANSWERS:
        early, late = (median(one.after or 0.0 for one in part) for part in (timed[:third], timed[-third:]))
        hedges = [sum(one.hedged for one in part) for part in (timed[:third], timed[-third:])]
        slower = late >= plan.FATIGUE_TIMES * early and late - early >= plan.FATIGUE_SECONDS
        if slower and hedges[1] >= hedges[0]:
            facts = {"early": round(early, 1), "late": round(late, 1), "hedged": hedges[1], "of": third}
            flags.append(Flag("fatigue", eye.eye, facts))
    return tuple(flags)

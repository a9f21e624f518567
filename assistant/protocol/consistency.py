"""Whether an eye's answers fit together: what they tell of the patient rather than of the lens.

Every answer is kept with its question. Once an eye is done, all of them are held against its final lens: do they
fit it better than answers by chance would (`fit`)? Where that is in doubt, and where a run of answers is such as
honest patients seldom give, a pair is shown again in reverse order (`to_repeat`, `to_repeat_at_end`). The numbers
are design choices, set by simulation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from ..optics.power_vector import PowerVector
from . import plan
from .effects import Flag
from .eye import EyeState, line_feet
from .meanings import Heard, Meaning, Outcome
from .questions import AcuityQuestion, Choice, Legible, Question

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
        return Heard("", Outcome.HEARD, self.meaning, self.value, after=self.after, hedged=self.hedged)

    @property
    def firm(self) -> bool:
        """One lens was named, without hesitation."""
        return self.meaning in _POSITIONS and not self.hedged

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
    repeats = [at for at, one in enumerate(made) if one.repeats is not None]
    if len(repeats) >= plan.CATCHES_MOST or (repeats and len(made) - repeats[-1] <= plan.CATCH_APART):
        return None
    run = [one.meaning for one in made if one.repeats is None]
    same, turns = run[-plan.RUN_OF_ONE :], run[-plan.RUN_IN_TURN :]
    one_sided = len(same) == plan.RUN_OF_ONE and len(set(same)) == 1 and same[0] in _POSITIONS
    in_turn = (
        len(turns) == plan.RUN_IN_TURN
        and set(turns) == _POSITIONS
        and all(a is not b for a, b in pairwise(turns))
    )
    return _reversed(made[-plan.RUN_OF_ONE :]) if one_sided or in_turn else None


def to_repeat_at_end(eye: EyeState, answers: Answers) -> tuple[Answer, Choice] | None:
    """As `to_repeat`, when the eye is about to be done: where its answers do not yet speak for its lens."""
    made = choices(answers)
    repeated = [one for one in made if one.repeats is not None]
    if len(repeated) >= plan.CATCHES_MOST or len(made) < plan.CHOICES_TO_JUDGE:
        return None
    seen = fit(eye, answers)
    doubtful = seen.evidence < max(plan.FIT_SURE, plan.FIT_SURE_EACH * seen.answers)
    one_sided = not repeated and _most(made)[1] >= plan.ONE_SIDED * len(made)
    if not (doubtful or one_sided):
        return None
    done = {one.repeats.question for one in repeated if one.repeats is not None}
    return _reversed([one for one in made if one.question not in done])


def _reversed(made: list[Answer]) -> tuple[Answer, Choice] | None:
    """Of these answers the one whose pair was most plainly different, and the pair in reverse order."""
    firm = [one for one in made if one.firm and one.repeats is None and one.question.step != "duochrome"]
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
    dull = max(1.0, 10.0**best)  # a poor eye tells lenses apart by as much less (just-noticeable difference)
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
    """How much likelier than by chance (one in three) the answer to a pair is, given the lens that makes the eye sharp."""
    pair = one.question
    assert isinstance(pair, Choice)
    first, second = (_blur(lens.vector, target, focusing) for lens in (pair.first, pair.second))
    spread = (plan.FIT_SPREAD + plan.FIT_SPREAD_IN_BLUR * (first + second) / 2) * dull
    zone = plan.FIT_SAME / plan.FIT_SPREAD * spread
    prefers_second = _below((first - second - zone) / spread)
    prefers_first = _below((second - first - zone) / spread)
    told = {Meaning.FIRST: prefers_first, Meaning.SECOND: prefers_second}
    return 3 * told.get(one.meaning, max(0.0, 1 - prefers_first - prefers_second))


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
    return sum(one.contradicts for one in answers) >= plan.CATCHES_MOST


UNRELIABLE = frozenset({"position_bias", "no_preference", "answers_do_not_fit"})
"""Flags after which an eye's lens is not taken for its refraction."""


def judge(eye: EyeState, answers: Answers) -> tuple[Flag, ...]:
    """What an eye's answers give reason to doubt, each with its evidence, once the eye is done."""
    return (*_repeats(eye, answers), *_preferences(eye, answers), *_fitting(eye, answers), *_manner(eye, answers))


def _repeats(eye: EyeState, answers: Answers) -> tuple[Flag, ...]:
    made = choices(answers)
    repeated = [one for one in made if one.repeats is not None]
    against = [one for one in repeated if one.contradicts]
    if not against:
        return ()
    position, often = _most(made)
    if often >= plan.ONE_SIDED * len(made):
        facts = {"position": position.value, "answers": often, "of": len(made), "repeated": len(repeated)}
        return (Flag("position_bias", eye.eye, facts),)
    return (Flag("contradiction", eye.eye, {"contradicted": len(against), "repeated": len(repeated)}),)


def _preferences(eye: EyeState, answers: Answers) -> tuple[Flag, ...]:
    made = choices(answers)
    if len(made) < plan.NO_PREFERENCE or any(one.meaning in _POSITIONS for one in made):
        return ()
    return (Flag("no_preference", eye.eye, {"of": len(made)}),)


def _fitting(eye: EyeState, answers: Answers) -> tuple[Flag, ...]:
    seen = fit(eye, answers)
    if len(choices(answers)) < plan.CHOICES_TO_JUDGE:
        return ()
    if seen.evidence >= max(plan.FIT_LEAST, plan.FIT_LEAST_EACH * seen.answers):
        return ()
    facts = {"answers": seen.answers, "against": seen.against, "evidence": round(seen.evidence, 1)}
    return (Flag("answers_do_not_fit", eye.eye, facts),)


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

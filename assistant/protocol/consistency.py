"""Whether an eye's answers fit together: what they tell of the patient rather than of the lens.

Every answer is kept with its question. Looked at once the eye is done, they show whether the pairs that were
plainly different were told apart the way the final lens says (`fit`); on the way, runs that honest answers seldom
make call for a pair to be repeated in reverse order (`to_repeat`). The cut-offs are design choices, set by
simulation.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
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

    Called for by a run of answers for one position, or of answers in turn, that honest patients seldom give.
    """
    made = choices(answers)
    repeats = [at for at, one in enumerate(made) if one.repeats is not None]
    if len(repeats) >= plan.CATCHES_MOST or (repeats and len(made) - repeats[-1] <= plan.CATCH_APART):
        return None
    run = [one.meaning for one in made if one.repeats is None]
    same = run[-plan.RUN_OF_ONE :]
    turns = run[-plan.RUN_IN_TURN :]
    one_sided = len(same) == plan.RUN_OF_ONE and len(set(same)) == 1 and same[0] in _POSITIONS
    in_turn = (
        len(turns) == plan.RUN_IN_TURN
        and set(turns) == _POSITIONS
        and all(a is not b for a, b in pairwise(turns))
    )
    if not (one_sided or in_turn):
        return None
    recent = [one for one in made[-plan.RUN_OF_ONE :] if one.firm and one.repeats is None]
    if not recent:
        return None
    picked = max(recent, key=lambda one: _apart(one.question))
    pair = picked.question
    assert isinstance(pair, Choice)
    return picked, Choice(pair.eye, "repeat_reversed", pair.second, pair.first)


def _apart(pair: Question) -> float:
    assert isinstance(pair, Choice)
    return pair.first.vector.minus(pair.second.vector).blur


# ------------------------------------------------------------------------------------------------- the fit
@dataclass(frozen=True)
class Fit:
    """How the pairs that were plainly different were told: `told` of `pairs` as the final lens says, `against` the
    other way, the rest as the same."""

    pairs: int
    against: int
    same: int

    @property
    def told(self) -> int:
        return self.pairs - self.against - self.same


def fit(eye: EyeState, answers: Answers) -> Fit:
    """The choices seen from the eye's final lens.

    A pair counts where the blur of its lenses differs by more than the eye can overlook, whether or not the eye
    focuses: what an eye that focuses could clear (more minus than the final lens) says nothing.
    """
    target = eye.lens.vector
    finest = max(plan.TOLD_APART, min((line_feet(line) for line in _lines(answers)), default=20) / plan.TOLD_BY_FEET)
    pairs = against = same = 0
    for one in choices(answers):
        pair = one.question
        assert isinstance(pair, Choice)
        if one.repeats is not None or pair.step == "duochrome" or one.meaning is Meaning.UNSURE:
            continue
        gains = [_gain(pair, target, focusing) for focusing in (False, True)]
        blurred = min(_blur(pair.first.vector, target, False), _blur(pair.second.vector, target, False))
        if gains[0] * gains[1] <= 0 or min(map(abs, gains)) < max(finest, plan.TOLD_IN_BLUR * blurred):
            continue
        pairs += 1
        if one.meaning is Meaning.SAME:
            same += 1
        elif (one.meaning is Meaning.SECOND) != (gains[0] > 0):
            against += 1
    return Fit(pairs, against, same)


def _lines(answers: Answers) -> Iterable[str]:
    return (
        str(one.value)
        for one in answers
        if isinstance(one.question, AcuityQuestion) and one.meaning is Meaning.SET_ACUITY
    )


def _blur(lens: PowerVector, target: PowerVector, focusing: bool) -> float:
    left = lens.minus(target)
    m = max(left.m, 0.0) if focusing else left.m
    return math.sqrt(m * m + left.j0 * left.j0 + left.j45 * left.j45)


def _gain(pair: Choice, target: PowerVector, focusing: bool) -> float:
    return _blur(pair.first.vector, target, focusing) - _blur(pair.second.vector, target, focusing)


# ---------------------------------------------------------------------------------------------- the judgement
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
    counts = {meaning: sum(one.meaning is meaning for one in made) for meaning in (Meaning.FIRST, Meaning.SECOND)}
    most = max(counts, key=lambda meaning: counts[meaning])
    if counts[most] >= plan.ONE_SIDED * len(made):
        facts = {"position": most.value, "answers": counts[most], "of": len(made), "repeated": len(repeated)}
        return (Flag("position_bias", eye.eye, facts),)
    return (Flag("contradiction", eye.eye, {"contradicted": len(against), "repeated": len(repeated)}),)


def _preferences(eye: EyeState, answers: Answers) -> tuple[Flag, ...]:
    made = choices(answers)
    if len(made) < plan.NO_PREFERENCE or any(one.meaning in _POSITIONS for one in made):
        return ()
    return (Flag("no_preference", eye.eye, {"of": len(made)}),)


def _fitting(eye: EyeState, answers: Answers) -> tuple[Flag, ...]:
    seen = fit(eye, answers)
    doubt = seen.against + seen.same / 2
    if doubt < plan.MISFITS or doubt < plan.MISFIT_SHARE * seen.pairs:
        return ()
    facts = {"pairs": seen.pairs, "against": seen.against, "same": seen.same}
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

"""Whether a sentence with a number was heard well enough to set a dial by it.

Its words must fit the sound, be clearly ahead of every other number that was looked for, and take about the time that
was spoken: a word left out makes another number. What fails is asked again.

In nats. The bars were set with some 1,200 commands by ten synthetic voices in view; `bench hearing --commands` measures
what they do.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from ..grammar.normalise import DIGITS, TEENS, TENS, normalise
from ..protocol.meanings import Heard, Meaning, Outcome

if TYPE_CHECKING:
    from ..grammar import Parsed

LEAST_FIT = -10.0  # of sentences that were said, the lowest; the best of other speech came to -13.5
LEAST_MARGIN = 1.8
WELL_HEARD = -5.0  # fit: below it, free writing that has more syllables tells of a word left out
SAME = -0.5  # nats behind the listener's likeliest: it is that, but for how its beam adds up
AGREED_FIT = -18.0  # where the listener for words heard the same, and nothing else comes near: the decoder need not
AGREED_MARGIN = 6.0  # like the sentence, it must only like all others less
SURE_FIT = -6.0  # and where it likes it, nothing else need be looked for
PLAIN_FIT = -4.5  # what was written freely and fits so well, at its usual pace and so far ahead of what sounds like it,
PLAIN_MARGIN = 3.0  # is it: nothing else need be looked for
PLAIN_PACE = 1.0
UNDERSTOOD = -12.0  # below it the words are no reading of the sound at all

# How long words take to say: the logarithm of the time is spread about this. A least-squares line through the commands
# of those voices.
PACE_START = 0.27  # seconds
PACE_SYLLABLE = 0.171
PACE_SPREAD = 0.2  # of the natural logarithm
MOST_PACE_COST = 15.0
SLOWEST = 1.8  # spreads longer than its words take: something was said that they leave out
SLOWEST_WRITTEN = 2.8  # where free writing came to the same number

LISTENER_COUNTS = 1.0  # as much as free writing
BARE_POWER_COST = 3.0  # a power alone: what is left of "cylinder minus two" when "cylinder" is not understood
BEYOND_COST = 5.0  # a number that the dials do not have: seldom asked for, often misheard

_NUMBER_WORDS = frozenset((*DIGITS, *TEENS, *TENS[2:], "hundred", "half", "quarter", "quarters", "plano"))


@dataclass(frozen=True)
class NumberWeighing:
    """How well sentences with a number fit one utterance.

    candidates   every sentence that was scored, and its likelihood with the end of the text (nats)
    free_text    the likeliest writing in any words, and what it means if it is in the grammar
    active       seconds of the utterance in which sound was made
    behind       nats by which the listener for words finds a candidate's text less likely than the likeliest of any
                 words, at most 0; empty where there is no such listener
    """

    candidates: tuple[tuple[Parsed, float], ...]
    free_text: str
    free_parsed: Parsed | None
    active: float
    behind: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class NumberReading:
    """One meaning and number, the likelihoods of its wordings summed."""

    parsed: Parsed  # of the likeliest wording
    fit: float


def has_number(parsed: Parsed) -> bool:
    return isinstance(parsed.value, (int, float)) or parsed.meaning is Meaning.SET_ACUITY


def number_words(text: str) -> int:
    """How many words of a text, as it is spoken, are a number's."""
    return sum(word in _NUMBER_WORDS for word in normalise(text).split())


def syllables(text: str) -> int:
    """About how many syllables spoken words have: groups of vowels, silent e left out, at least one a word."""
    count = 0
    for word in text.split():
        bare = re.sub(r"(?<=[^aeiouyl])e$", "", word)
        count += max(1, len(re.findall(r"[aeiouy]+", bare)))
    return count


def pace(text: str, active: float) -> float:
    """How much longer than usual the words took, in spreads: 0 as usual, below 0 faster."""
    usual = PACE_START + PACE_SYLLABLE * syllables(text)
    return math.log(max(active, 0.05) / usual) / PACE_SPREAD


def number_readings(weighing: NumberWeighing) -> list[NumberReading]:
    """Candidates gathered by meaning, number and outcome, the best first."""
    groups: dict[object, list[tuple[float, Parsed]]] = {}
    for parsed, logp in weighing.candidates:
        kind = (parsed.meaning, parsed.value, parsed.outcome)
        heard = LISTENER_COUNTS * weighing.behind.get(parsed.text, 0.0)
        groups.setdefault(kind, []).append((logp + heard - _cost(parsed, weighing.active), parsed))
    made = [
        NumberReading(max(group, key=lambda one: one[0])[1], float(np.logaddexp.reduce([fit for fit, _ in group])))
        for group in groups.values()
    ]
    return sorted(made, key=lambda reading: -reading.fit)


def _cost(parsed: Parsed, active: float) -> float:
    return min(0.5 * pace(parsed.text, active) ** 2, MOST_PACE_COST) + unlikeliness(parsed)


def unlikeliness(parsed: Parsed) -> float:
    """Nats that a sentence is less likely than others for what it says."""
    cost = BARE_POWER_COST if bare_power(parsed) else 0.0
    return cost + (BEYOND_COST if parsed.outcome is Outcome.OUT_OF_RANGE else 0.0)


def margin_of(ranked: list[NumberReading]) -> float:
    """Nats by which the best is ahead of the next; infinite without one."""
    return ranked[0].fit - ranked[1].fit if len(ranked) > 1 else math.inf


def _written(parsed: Parsed, weighing: NumberWeighing) -> bool:
    """Whether free writing came to the same."""
    free = weighing.free_parsed
    return free is not None and (free.meaning, free.value) == (parsed.meaning, parsed.value)


def plain_number(weighing: NumberWeighing) -> bool:
    """Whether the best reading needs no comparison but with what sounds like it."""
    ranked = number_readings(weighing)
    if not ranked or ranked[0].fit < PLAIN_FIT or margin_of(ranked) < PLAIN_MARGIN:
        return False
    best = ranked[0].parsed
    return _written(best, weighing) and abs(pace(best.text, weighing.active)) < PLAIN_PACE


def _agreed(ranked: list[NumberReading], weighing: NumberWeighing) -> bool:
    """Whether the listener for words heard the best reading, too, and nothing else comes near."""
    text = ranked[0].parsed.text
    same = weighing.behind.get(text, -math.inf) > SAME
    return same and margin_of(ranked) > AGREED_MARGIN and pace(text, weighing.active) < SLOWEST_WRITTEN


def sure_number(weighing: NumberWeighing) -> bool:
    """Whether both the listener and the decoder like the best reading so well that nothing else need be looked for."""
    ranked = number_readings(weighing)
    return bool(ranked) and ranked[0].fit > SURE_FIT and _agreed(ranked, weighing)


def clear_number(weighing: NumberWeighing) -> bool:
    """Whether the best reading clears the bars."""
    ranked = number_readings(weighing)
    if not ranked:
        return False
    best = ranked[0]
    written = _written(best.parsed, weighing)
    if best.fit > AGREED_FIT and _agreed(ranked, weighing):
        return True
    if not written and (bare_power(best.parsed) or best.parsed.outcome is Outcome.OUT_OF_RANGE):
        return False
    if not written and best.fit < WELL_HEARD and syllables(best.parsed.text) < syllables(normalise(weighing.free_text)):
        return False
    slowest = SLOWEST_WRITTEN if written else SLOWEST
    ahead = margin_of(ranked) > LEAST_MARGIN
    return best.fit > LEAST_FIT and ahead and pace(best.parsed.text, weighing.active) < slowest


def judge_number(weighing: NumberWeighing) -> Heard:
    """The utterance as the exam receives it. `score` is the fit: 0 is certain, -10 and below hopeless."""
    ranked = number_readings(weighing)
    clear = clear_number(weighing)
    if not ranked or (ranked[0].fit < UNDERSTOOD and not clear):
        return Heard(weighing.free_text, Outcome.NOT_UNDERSTOOD)
    best = ranked[0]
    parsed = best.parsed
    outcome = parsed.outcome if clear else Outcome.DOUBTFUL
    score = round(best.fit, 3)
    return Heard(parsed.text, outcome, parsed.meaning, parsed.value, score=score, hedged=parsed.hedged)


def bare_power(parsed: Parsed) -> bool:
    """A sphere set without the word "sphere"."""
    return parsed.meaning is Meaning.SET_SPHERE and "sphere" not in parsed.text.split()

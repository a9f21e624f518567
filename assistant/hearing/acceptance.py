"""Whether a hearing is sure enough to act on.

Everything is in nats (natural logarithms of likelihoods). A meaning is acted on when its words fit the sound
in their own right, about as well as whatever else might have been written, clearly better than any other
meaning, and when they can fill the time. What fails is asked again: that costs seconds, a wrong answer costs
the examination.

The bars for answers were set on human recordings, quiet, in white noise and in babble, the speakers kept apart
for the second opinion only. `bench hearing` measures what they do. Sentences with a number are judged by
`number_acceptance.py`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..protocol.meanings import Heard, Meaning, Outcome
from .cutter import LONG_PAUSE, NUMBER_PAUSE, QUESTION_PAUSE, QUICK_PAUSE
from .number_acceptance import bare_power, unlikeliness
from .second_opinion import ANSWERS as NAMES
from .second_opinion import Opinion

if TYPE_CHECKING:
    from ..grammar import Grammar, Parsed

# Seconds of sound: an utterance longer than its words can take is not those words ("one five two one seven"
# is not "one"). The silence kept around it is included.
FIRST_WORD = 1.4
EACH_WORD = 0.6

WORD_COST = 0.6  # a word of a longer phrase lowers its likelihood by about this much however well it is spoken
FREE_SHARE = 0.5  # how much it counts that other words fit better
UNDERSTOOD = -9.0  # below this fit the words are no reading of the sound at all


@dataclass(frozen=True)
class Bar:
    """What a meaning has to clear: `fit` (see `fit_of`), and `margin` to the next meaning."""

    fit: float
    margin: float


ANSWER_BAR = Bar(-5.0, 1.8)
COMMAND_BAR = Bar(-4.0, 1.5)  # short commands ("next", "stop") are where other speech lands
VALUE_BAR = Bar(-4.0, 2.0)  # "left eye", "no cylinder": taken for another value they do more harm

# "One" and "two" in doubt are looked at twice, and the two looks averaged: each alone errs by a nat or two. On human
# recordings, quiet, in white noise and in babble, none was taken for the other for any fit down to -6.7.
TOGETHER_BAR = Bar(-6.3, 1.8)
WORTH_ANOTHER_LOOK = -8.0  # fit of the first: below it no second look helps

# Where there is a second opinion on the sound (see `second_opinion.py`), it decides about the doubtful ones. Set on
# human recordings by opinions of classifiers that had not heard their speakers.
OWN_ODDS = 2.5  # nats of fit for each nat of odds that the sound is this word at all
ODDS_APART = 0.8  # and for each nat by which the odds are better than the other word's
MOST_ODDS = 4.0  # nats: more says no more
MOST_APART = 3.0
BORNE_OUT_BAR = -4.5  # of the sum
OWN_MARGIN = 0.7  # nats: a mumbled "one" sounds like "two" to the second opinion, and like either to the decoder
WORTH_AN_OPINION = -12.0  # fit
PLAIN_FIT = -3.0  # of what was written freely
PLAIN_ODDS = 0.0  # nats
PLAIN_APART = 1.0
CONTRADICTED = 1.5  # nats by which the odds of the other word are better: in doubt, however well it fits
UNLIKE = -0.5  # own odds of a bare "one" or "two" below which it is more like another sound, and in doubt

# In doubt a listener of its own decides (see `answer_listener.py`): its odds, how much the decoder, too, leans to the
# word, and its fit. Set on human recordings by listeners that had not heard their speakers.
LISTENED_SECONDS = 1.7  # of sound: in a noisy room some of it is noise
LISTENED_APART = 3.0  # nats by which the odds are better than the other word's
LEAN_SHARE, MOST_LEAN = 0.5, 3.0  # for each nat that the decoder likes the word better than the other, and nats at most
FIT_SHARE = 0.6  # for each nat of fit above what is no reading at all
LISTENED_BAR = 1.0  # of the sum
MOST_LISTENED = 4.5  # nats: its odds are never better
PHRASE_BEHIND = 8.0  # nats behind the word: "second one", which has a "one" in it, is that likely

ANSWERS = frozenset(
    {Meaning.FIRST, Meaning.SECOND, Meaning.SAME, Meaning.UNSURE, Meaning.AGAIN, Meaning.YES, Meaning.NO}
    | {Meaning.QUESTION}
)


@dataclass(frozen=True)
class Candidate:
    """One writing of the utterance that the grammar knows. `logp` in nats, the end of the text included."""

    parsed: Parsed
    logp: float


@dataclass(frozen=True)
class Weighing:
    """What the model makes of one utterance, before anything is decided.

    candidates  every writing that is in the grammar and was scored
    free_text   the likeliest writing in any words, what it means if it is in the grammar, and its likelihood
    empty_logp  nats: of there being nothing to write
    seconds     length of the sound, the silence kept at its ends included
    opinion     whether it is "one" or "two", by another judge; None without one
    """

    candidates: tuple[Candidate, ...]
    free_text: str
    free_parsed: Parsed | None
    free_logp: float
    empty_logp: float
    seconds: float
    opinion: Opinion | None = None


@dataclass(frozen=True)
class Reading:
    """One meaning with the likelihoods of its writings summed."""

    parsed: Parsed  # of the likeliest writing
    logp: float
    words: int

    @property
    def own(self) -> float:
        """Likelihood with the cost of its length given back, so that short phrases have no advantage."""
        return self.logp + WORD_COST * (self.words - 1)


def readings(candidates: Iterable[Candidate]) -> list[Reading]:
    """Candidates gathered by meaning, value and outcome, the likeliest first."""
    groups: dict[object, list[Candidate]] = {}
    for one in candidates:
        groups.setdefault((one.parsed.meaning, one.parsed.value, one.parsed.outcome), []).append(one)
    made = []
    for group in groups.values():
        best = max(group, key=_weight)
        total = float(np.logaddexp.reduce([_weight(one) for one in group]))
        made.append(Reading(best.parsed, total, len(best.parsed.text.split())))
    return sorted(made, key=lambda reading: -reading.own)


def _weight(candidate: Candidate) -> float:
    return candidate.logp - unlikeliness(candidate.parsed)


def fit_of(reading: Reading, free_logp: float) -> float:
    """How well the words fit the sound: their likelihood, less what other words fit better."""
    return reading.own - FREE_SHARE * max(0.0, free_logp - reading.logp)


def fills(reading: Reading, weighing: Weighing) -> bool:
    """Whether the words account for the time."""
    return weighing.seconds <= FIRST_WORD + EACH_WORD * (reading.words - 1)


def bar_of(meaning: Meaning, value: object) -> Bar:
    if meaning in ANSWERS:
        return ANSWER_BAR
    return COMMAND_BAR if value is None else VALUE_BAR


def margin_of(ranked: list[Reading], weighing: Weighing) -> float:
    """How far the likeliest reading is ahead of the next that the time allows, in nats; infinite without one."""
    rivals = [other for other in ranked[1:] if fills(other, weighing)]
    return ranked[0].own - rivals[0].own if rivals else np.inf


def clear(weighing: Weighing) -> bool:
    """Whether the likeliest meaning clears its bar."""
    ranked = readings(weighing.candidates)
    if not ranked:
        return False
    best = ranked[0]
    bar = bar_of(best.parsed.meaning, best.parsed.value)
    if bare_power(best.parsed) and _differs(weighing.free_parsed, best.parsed):
        return False
    odds = _odds(best.parsed, weighing)
    if odds is not None and (odds[1] - odds[0] > CONTRADICTED or odds[0] < UNLIKE):
        return False
    fits = fit_of(best, weighing.free_logp) > bar.fit
    return fits and margin_of(ranked, weighing) > bar.margin and fills(best, weighing)


def plain(weighing: Weighing) -> bool:
    """Whether free writing is a bare "one" or "two" and the second opinion agrees: nothing else need be looked for.

    Of 219 quiet recordings of the two 183 are plain; the full weighing takes all of them for the same.
    """
    free = weighing.free_parsed
    if free is None or weighing.free_logp < PLAIN_FIT:
        return False
    odds = _odds(free, weighing)
    return odds is not None and odds[0] > PLAIN_ODDS and odds[0] - odds[1] > PLAIN_APART


def judge(weighing: Weighing) -> Heard:
    """The utterance as the exam receives it. `score` is the fit: 0 and above is certain, -10 and below hopeless."""
    ranked = readings(weighing.candidates)
    if not ranked:
        return Heard(weighing.free_text, Outcome.NOT_UNDERSTOOD)
    best = ranked[0]
    parsed = best.parsed
    fit = fit_of(best, weighing.free_logp)
    score = round(fit, 3)
    sure = clear(weighing)
    if fit < UNDERSTOOD and not sure:
        return Heard(weighing.free_text, Outcome.NOT_UNDERSTOOD, score=score)
    outcome = parsed.outcome if sure else Outcome.DOUBTFUL
    return Heard(parsed.text, outcome, parsed.meaning, parsed.value, score=score, hedged=parsed.hedged)


def worth_another_look(weighing: Weighing) -> bool:
    """Whether the likeliest meaning is "one" or "two", in doubt and not hopeless."""
    ranked = readings(weighing.candidates)
    if not ranked or clear(weighing):
        return False
    best = ranked[0]
    if best.parsed.outcome is not Outcome.HEARD or not fills(best, weighing):
        return False
    choice = best.parsed.meaning in (Meaning.FIRST, Meaning.SECOND)
    least = WORTH_ANOTHER_LOOK if _odds(best.parsed, weighing) is None else WORTH_AN_OPINION
    return choice and fit_of(best, weighing.free_logp) > least


def judge_together(first: Weighing, second: Weighing) -> Heard:
    """A doubtful answer looked at twice: sure if both looks say the same and are good enough on average."""
    heard = judge(first)
    ranked = [readings(look.candidates) for look in (first, second)]
    if not all(ranked) or ranked[0][0].parsed.meaning is not ranked[1][0].parsed.meaning:
        return heard
    looks = [(read[0], look) for read, look in zip(ranked, (first, second), strict=True)]
    if not all(fills(best, look) for best, look in looks):
        return heard
    fit = sum(fit_of(best, look.free_logp) for best, look in looks) / 2
    margin = sum(margin_of(read, look) for read, look in zip(ranked, (first, second), strict=True)) / 2
    odds = [both for best, look in looks if (both := _odds(best.parsed, look)) is not None]
    if len(odds) == len(looks):
        own, apart = np.mean([(this, this - other) for this, other in odds], axis=0)
        fit += OWN_ODDS * min(max(own, -MOST_ODDS), MOST_ODDS) + ODDS_APART * min(max(apart, -MOST_APART), MOST_APART)
        sure = fit > BORNE_OUT_BAR and apart > -CONTRADICTED and margin > OWN_MARGIN
    else:
        sure = fit > TOGETHER_BAR.fit and margin > TOGETHER_BAR.margin
    if not sure:
        return heard
    said = looks[0][0].parsed
    return Heard(said.text, Outcome.HEARD, said.meaning, said.value, score=round(float(fit), 3), hedged=said.hedged)


def may_be_answer(weighing: Weighing) -> bool:
    """Whether a sound in doubt is no longer than "one" or "two" in noise, and the listener could settle that it is.

    Where words were understood, and it is they that are in doubt ("not two"), it has nothing to settle.
    """
    said = _named(weighing)
    if weighing.seconds > LISTENED_SECONDS or len(said) < len(NAMES):
        return False
    understood = (readings(weighing.candidates)[0].parsed, weighing.free_parsed)
    if any(parsed is not None and parsed.outcome is not Outcome.HEARD for parsed in understood):
        return False
    return max(_bearing_out(said, name, weighing) for name in NAMES) > LISTENED_BAR - MOST_LISTENED


def judge_listened(weighing: Weighing, opinion: Opinion) -> Heard | None:
    """A sound in doubt that the listener for the two words is sure of; None where it is not."""
    name = NAMES[0] if opinion.one > opinion.two else NAMES[1]
    own, against = max(opinion.one, opinion.two), min(opinion.one, opinion.two)
    said = _named(weighing)
    borne_out = own + _bearing_out(said, name, weighing) > LISTENED_BAR
    if own <= 0 or own - against <= LISTENED_APART or not borne_out or _may_be_other_lens(said[name], weighing):
        return None
    parsed, fit = said[name].parsed, fit_of(said[name], weighing.free_logp)
    return Heard(parsed.text, Outcome.HEARD, parsed.meaning, parsed.value, score=round(fit, 3), hedged=parsed.hedged)


def _may_be_other_lens(named: Reading, weighing: Weighing) -> bool:
    """Whether a phrase with the same word in it, that means the other lens, is not far behind: "the second one"."""
    choice = {Meaning.FIRST, Meaning.SECOND} - {named.parsed.meaning}
    return any(
        other.parsed.meaning in choice
        and named.parsed.text in other.parsed.text.split()
        and other.logp > named.logp - PHRASE_BEHIND
        for other in weighing.candidates
    )


def _bearing_out(said: dict[str, Reading], name: str, weighing: Weighing) -> float:
    """What the decoder adds to the listener's odds of a word."""
    other = NAMES[1 - NAMES.index(name)]
    lean = min(max(said[name].own - said[other].own, -MOST_LEAN), MOST_LEAN)
    return LEAN_SHARE * lean + FIT_SHARE * (fit_of(said[name], weighing.free_logp) - UNDERSTOOD)


def _named(weighing: Weighing) -> dict[str, Reading]:
    """The readings that are one of the two words and nothing else."""
    return {
        one.parsed.text: one
        for one in readings(weighing.candidates)
        if one.parsed.text in NAMES and one.parsed.meaning in (Meaning.FIRST, Meaning.SECOND)
    }


def _odds(parsed: Parsed, weighing: Weighing) -> tuple[float, float] | None:
    """The second opinion's log odds of a bare "one" or "two" and of the other; None for other words, or without one."""
    text, opinion = parsed.text, weighing.opinion
    if opinion is None or text not in NAMES:
        return None
    return (opinion.one, opinion.two) if text == NAMES[0] else (opinion.two, opinion.one)


def _differs(free: Parsed | None, parsed: Parsed) -> bool:
    return free is None or (free.meaning, free.value) != (parsed.meaning, parsed.value)


def pause_for(heard: Heard, grammar: Grammar) -> int:
    """Frames of silence that end an utterance heard so far as `heard`: see `cutter.Cutter`."""
    if not heard.accepted or heard.meaning in (Meaning.NOTE, Meaning.REASON):
        return LONG_PAUSE  # it may go on, and be understood then
    if heard.meaning is Meaning.QUESTION:
        return QUESTION_PAUSE
    return NUMBER_PAUSE if heard.value is not None and grammar.may_go_on(heard.text) else QUICK_PAUSE

"""Whether a hearing is sure enough to act on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..protocol.meanings import Heard, Meaning, Outcome
from .cutter import LONG_PAUSE, NUMBER_PAUSE, QUICK_PAUSE

if TYPE_CHECKING:
    from ..grammar import Grammar, Parsed


@dataclass(frozen=True)
class Candidate:
    """One writing of the utterance that the grammar knows. `logp` in nats, the end of text included."""

    parsed: Parsed
    logp: float
    tokens: int


@dataclass(frozen=True)
class Weighing:
    """What the model makes of one utterance, before anything is decided.

    candidates  every writing that is in the grammar and was scored
    free_logp   nats: of the likeliest unconstrained writing
    empty_logp  nats: of there being nothing to write
    seconds     length of the audio, the silence kept at its ends included
    """

    candidates: tuple[Candidate, ...]
    free_text: str
    free_logp: float
    empty_logp: float
    seconds: float


@dataclass(frozen=True)
class Reading:
    """One meaning with the likelihoods of its writings summed."""

    parsed: Parsed  # of the likeliest writing
    logp: float
    words: int


def readings(candidates: Iterable[Candidate]) -> list[Reading]:
    """Candidates gathered by meaning, value and outcome, the likeliest first."""
    groups: dict[object, list[Candidate]] = {}
    for one in candidates:
        groups.setdefault((one.parsed.meaning, one.parsed.value, one.parsed.outcome), []).append(one)
    made = []
    for group in groups.values():
        best = max(group, key=lambda one: one.logp)
        total = float(np.logaddexp.reduce([one.logp for one in group]))
        made.append(Reading(best.parsed, total, len(best.parsed.text.split())))
    return sorted(made, key=lambda reading: -reading.logp)


MARGIN = 1.5  # nats between the best meaning and the next
RATIO = -3.0  # nats: best meaning less free writing
LOGP = -5.5  # nats a phrase


def judge(weighing: Weighing, grammar: Grammar) -> Heard:
    """The utterance as the exam receives it."""
    ranked = readings(weighing.candidates)
    if not ranked:
        return Heard(weighing.free_text, Outcome.NOT_UNDERSTOOD)
    best = ranked[0]
    ratio = best.logp - max(weighing.free_logp, max(one.logp for one in weighing.candidates))
    margin = best.logp - ranked[1].logp if len(ranked) > 1 else np.inf
    score = round(min(ratio, 0.0), 3)
    parsed = best.parsed
    if ratio < 3 * RATIO:
        return Heard(weighing.free_text, Outcome.NOT_UNDERSTOOD, score=score)
    sure = ratio > RATIO and margin > MARGIN and best.logp > LOGP - 0.7 * best.words
    outcome = parsed.outcome if sure or parsed.outcome is not Outcome.HEARD else Outcome.DOUBTFUL
    if parsed.meaning in (Meaning.NOTE, Meaning.REASON) and not sure:
        outcome = Outcome.DOUBTFUL
    return Heard(parsed.text, outcome, parsed.meaning, parsed.value, score=score, hedged=parsed.hedged)


def pause_for(heard: Heard) -> int:
    """Frames of silence that end an utterance heard so far as `heard`: see `cutter.Cutter`."""
    if not heard.accepted or heard.meaning in (Meaning.NOTE, Meaning.REASON):
        return LONG_PAUSE  # it may go on, and be understood then
    return QUICK_PAUSE if heard.value is None else NUMBER_PAUSE

"""The log's utterances through the exam's machine again: does it come to the same, and what would have
followed had an utterance been heard otherwise?

Answers are only fed on while the machine asks the very questions they were given to. Where a corrected answer
would have led to another question, the replay stops and says so: an answer to one pair of lenses says
nothing about another pair.
"""

from __future__ import annotations

from dataclasses import dataclass

from ..errors import UserError
from ..evidence.together import weigh
from ..protocol.effects import Ask, Effect, Prescribe
from ..protocol.exam import Exam
from ..protocol.meanings import Heard
from ..protocol.questions import Question
from ..protocol.start import StartError
from .events import Event, event, heard_from_event
from .log import Log
from .starts import start_from_dict

# What makes a question the same question: all it asks, but not its number, attempt or wording.
_SAME_QUESTION = ("eye", "step", "form", "choices", "lens", "line", "of", "what")


@dataclass(frozen=True)
class Replay:
    """What the machine did.

    effects       all effects, in order
    prescription  the draft it came to, or None
    parted        the `heard` event at which it stood at another question than the log, or None
    would_ask     its question there (None: it would have been over)
    left_out      how many utterances were not fed for that reason
    """

    effects: tuple[Effect, ...]
    prescription: Prescribe | None
    parted: Event | None = None
    would_ask: Question | None = None
    left_out: int = 0


def corrections(events: tuple[Event, ...]) -> dict[int, Event]:
    """The amendment that stands for each corrected `heard` event, by the corrected event's seq; the last
    one counts.
    """
    return {held["amends"]: held for held in events if held["kind"] == "heard" and "amends" in held}


def question_key(question: Question | None) -> Event | None:
    """A question in the log's terms, without number, attempt and wording."""
    return None if question is None else _key(event(Ask(question, 1)))


def _key(asked: Event) -> Event:
    return {key: asked[key] for key in _SAME_QUESTION if key in asked}


def replay(log: Log, corrected: bool = True) -> Replay:
    """Feed the log's utterances to a new exam with the same start. `corrected`: with amendments applied.

    Raises UserError where the log's start data cannot be read.
    """
    try:
        exam = Exam(start_from_dict(dict(log.header.get("start") or {})), weigh)
    except StartError as error:
        raise UserError(f"the log's starting point cannot be used: {error}") from None
    amended = corrections(log.events) if corrected else {}
    effects: list[Effect] = list(exam.begin())
    asked: Event | None = None
    ended = False
    hearings = [held for held in log.of_kind("heard") if "amends" not in held]
    fed = 0
    for held in log.events:
        if held["kind"] == "question":
            asked = _key(held)
        elif held["kind"] == "prescription":
            asked, ended = None, True
        elif held["kind"] == "heard" and "amends" not in held:
            # Paused, undo may go back to another question, which is put only when the exam goes on.
            if not exam.state.paused and question_key(exam.question) != asked:
                return Replay(tuple(effects), _prescription(effects), held, exam.question, len(hearings) - fed)
            effects += exam.hear(_heard(held, amended.get(held["seq"])))
            fed += 1
    if ended and not exam.over:
        effects += exam.close()
    return Replay(tuple(effects), _prescription(effects))


def _heard(held: Event, amendment: Event | None) -> Heard:
    return heard_from_event(held if amendment is None else amendment)


def _prescription(effects: list[Effect]) -> Prescribe | None:
    return next((effect for effect in reversed(effects) if isinstance(effect, Prescribe)), None)

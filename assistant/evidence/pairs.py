"""Which answers of an exam still stand: questions with what was heard, undone ones left out."""

from __future__ import annotations

from collections.abc import Iterable

from ..protocol.effects import Ask, Effect, Flag, Recorded, Say
from ..protocol.meanings import CHOICE_ANSWERS, LEGIBLE_ANSWERS, Heard, Meaning
from ..protocol.questions import AcuityQuestion, Choice, Confirm, Eye, Legible, Question, Value

Pair = tuple[Question, Heard]

_MOVES = frozenset(
    {
        Meaning.SET_SPHERE,
        Meaning.SET_CYLINDER,
        Meaning.SET_AXIS,
        Meaning.SET_ACUITY,
        Meaning.SET_PD,
        Meaning.SET_ADD,
        Meaning.SET_AGE,
        Meaning.SKIP,
        Meaning.NEXT,
        Meaning.SWITCH_EYE,
        Meaning.FINISH,
    }
)


def surviving(effects: Iterable[Effect]) -> tuple[Pair, ...]:
    """The answers that stand, in order, of both eyes.

    The exam keeps the state before every answer and every command that moved it, and *undo* goes back one of
    those; so does this. A command that the exam turned down (a dial's end) is none of them.
    """
    moves: list[Pair | None] = []
    question: Question | None = None
    last_was_command = False
    for effect in effects:
        if isinstance(effect, Ask):
            question = effect.question
        elif isinstance(effect, Recorded):
            last_was_command = False
            if not effect.used or question is None:
                continue
            if answers(question, effect.heard):
                moves.append((question, effect.heard))
            elif effect.heard.meaning in _MOVES and not (
                isinstance(question, Confirm) and effect.heard.meaning in (Meaning.SKIP, Meaning.NEXT)
            ):
                moves.append(None)
                last_was_command = True
        elif isinstance(effect, Flag):
            if effect.code == "no_answer":  # the question was given up, and undo goes back to it
                moves.append(None)
            elif effect.code == "dial_end" and last_was_command:
                moves.pop()
                last_was_command = False
        elif isinstance(effect, Say) and effect.key == "undone" and moves:
            moves.pop()
    return tuple(pair for pair in moves if pair is not None)


def answers(question: Question, heard: Heard) -> bool:
    """Whether what was heard answers the question, rather than being a command that moves the exam."""
    meaning = heard.meaning
    if isinstance(question, Choice):
        return meaning in CHOICE_ANSWERS
    if isinstance(question, Legible):
        return meaning in LEGIBLE_ANSWERS
    if isinstance(question, AcuityQuestion):
        return meaning in (Meaning.SET_ACUITY, Meaning.NO, Meaning.UNSURE)
    if isinstance(question, Value):
        return meaning in (Meaning(f"set_{question.of}"), Meaning.SKIP, Meaning.UNSURE)
    return isinstance(question, Confirm) and meaning in (Meaning.CONFIRM, Meaning.YES)


def of_eye(pairs: Iterable[Pair], eye: Eye) -> tuple[Pair, ...]:
    """Those put to one eye alone."""
    return tuple(pair for pair in pairs if pair[0].eye is eye)

"""A whole conversation of one eye's exam as one recording, made from the demonstration's clips.

The words are settled first: an exam without sound, answered by a virtual patient. The clips of those words are then
laid in one room, for one microphone or two. Whoever listens to the recording must come to the same prescription.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from random import Random

from ..patients.patient import Reply, VirtualPatient
from ..protocol.meanings import Heard
from ..protocol.questions import Eye, Question
from ..protocol.start import Start
from ..session import Session
from ..speaking.conversation import Turn
from .demo_clips import NOISE, Clip, Clips
from .hear import grammars

DIAL = (2.5, 4.0)  # seconds from an answer to the next question: the prompt is heard, the dial turned
SHORTEST_REPLY = 0.8  # seconds; a shorter gap would be one breath with the question
MOST_QUESTIONS = 90  # an eye takes less than half as many

# Noises between the turns: after how many turns, and which.
NOISES: Mapping[int, str] = {9: "cough", 22: "door", 37: "cough"}


@dataclass(frozen=True)
class Dialogue:
    """What is said, in order.

    turns   for `speaking.conversation.render_conversation`
    clips   the clip of each turn
    heard   the patient's and examiner's answers as a hearing side without a fault hands them on
    """

    turns: tuple[Turn, ...]
    clips: tuple[Clip, ...]
    heard: tuple[Heard, ...]


def one_eye(
    clips: Clips,
    patient: VirtualPatient,
    start: Start | None = None,
    seed: int = 0,
    noises: Mapping[int, str] = NOISES,
) -> Dialogue:
    """The first eye's exam from its first question to its last, the setting-up included.

    `clips` give what is said, `seed` the pauses. Raises UserError where no clip says an answer.
    """
    chance = Random(seed)
    session = Session(grammars(), start)
    session.begin()
    first = session.exam.state.eye
    turns: list[Turn] = []
    said: list[Clip] = []
    heard: list[Heard] = []

    def say(clip: Clip, pause: float) -> None:
        turns.append(Turn(clips.sound(clip), pause, clip.who or None))
        said.append(clip)

    while _goes_on(session.question, first) and len(heard) < MOST_QUESTIONS:
        question = session.question
        assert question is not None
        if len(turns) in noises:
            say(_noise(clips, noises[len(turns)]), chance.uniform(1.0, 2.0))
        asked = clips.question(question)
        if asked is not None:
            say(asked, chance.uniform(*DIAL))
        reply = _meant(patient, question)
        say(clips.answer(reply, question), max(reply.seconds, SHORTEST_REPLY))
        heard.append(reply.heard())
        session.take(heard[-1])
    return Dialogue(tuple(turns), tuple(said), tuple(heard))


def _goes_on(question: Question | None, first: Eye) -> bool:
    return question is not None and question.eye in (first, Eye.BOTH)


def _meant(patient: VirtualPatient, question: Question) -> Reply:
    """What the patient answers, once it is an answer."""
    reply = patient.reply(question)
    while reply.meaning is None:
        reply = patient.reply(question)
    return reply


def _noise(clips: Clips, words: str) -> Clip:
    return next(clip for clip in clips.all if clip.kind == NOISE and clip.words == words)


def as_lines(heard: Sequence[Heard]) -> list[str]:
    """The answers as plain typed lines, for `exam --listen text`."""
    return [one.text for one in heard]

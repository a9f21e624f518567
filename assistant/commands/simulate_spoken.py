"""Virtual patients who speak: each answer is a recording with that meaning, in noise, through the real recogniser.

For every answer a clip of the demonstration that means it is taken, laid into noise, cut out again by the
voice-activity detector, and recognised by the embedded recogniser with the grammar that is live at that question; the
exam takes what was heard, right or wrong. The clips are synthetic voices, one to an exam, in turn. What no clip says
(most ages, the PD, the confirmation) is typed and counted, and so is what the exam asks the examiner to type after
misses. Left out, against a microphone: who spoke, the examiner's own questions, the waiting for the end of an answer.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from random import Random
from typing import Final

from ..errors import UserError
from ..evidence.together import weigh
from ..grammar import Grammars
from ..grammar.grammar import listening_for
from ..hearing.audio import spoken
from ..hearing.conditions import noisy
from ..hearing.engines import load
from ..hearing.hesitation import hesitation
from ..hearing.recogniser import Recogniser
from ..listening import RISING, WAVERING
from ..patients.cohort import Cohort, ExamRecord, SpokenReplies, draw_patient, sit
from ..patients.patient import Reply, VirtualPatient
from ..protocol import plan
from ..protocol.exam import Exam
from ..protocol.meanings import CHOICE_ANSWERS, Heard, Meaning, Outcome, Speaker
from ..protocol.questions import Question
from .demo_clips import Clips, patient_voices, read_manifest
from .hear import grammars

ROOMS: Final = {"quiet": 40.0, "10dB": 10.0}
"""Decibels of the speech over the white noise it is in; a quiet room is not a silent one."""

_ONE_AND_TWO = frozenset({Meaning.FIRST, Meaning.SECOND})


@lru_cache(maxsize=1)
def _ears() -> tuple[Recogniser, Grammars]:
    """The embedded recogniser, once for each process."""
    return load(), grammars()


@lru_cache(maxsize=1)
def _voices() -> tuple[str, ...]:
    from ..data import folder

    return tuple(patient_voices(read_manifest(Path(folder("demo_audio")))))


class SpokenPatient:
    """A virtual patient whose answers are spoken and heard. `heard` counts what became of them."""

    def __init__(self, patient: VirtualPatient, exam: Exam, room: str, clips: Clips, seed: str) -> None:
        self.right, self.left, self.age = patient.right, patient.left, patient.age
        self.heard: Counter[str] = Counter()
        self.exchanged: list[str] = []  # eyes of which a "one" was taken for "two" or the other way
        self._patient, self._exam = patient, exam
        self._decibels, self._clips, self._chance = ROOMS[room], clips, Random(seed)

    def reply(self, question: Question) -> SpokenReply:
        reply = self._patient.reply(question)
        return SpokenReply(self._through_the_room(reply, question), reply.seconds)

    def _through_the_room(self, reply: Reply, question: Question) -> Heard:
        if reply.by is not Speaker.PATIENT or not reply.text:
            return reply.heard()
        if self._exam.state.tries >= plan.MISSES_BEFORE_TYPING:
            self.heard["typed when asked to"] += 1
            return reply.heard()
        try:
            clip = self._clips.answer(reply, question)
        except UserError:
            self.heard["typed"] += 1
            return reply.heard()
        self.heard["spoken"] += 1
        recogniser, all_grammars = _ears()
        sound = noisy(self._clips.sound(clip), "white", self._decibels, (), self._chance.randrange(2**32))
        speech = spoken(sound)
        if speech is None:
            self.heard["not noticed"] += 1
            return Heard("", Outcome.SILENCE, after=reply.seconds)
        names = listening_for(question, plus_cylinder=self._exam.instrument.plus)
        heard = replace(recogniser.hear(speech, all_grammars.union(*names)), after=reply.seconds)
        if heard.accepted and heard.meaning in CHOICE_ANSWERS:
            reasons = hesitation(speech, heard.hedged, reply.seconds).reasons
            wavers = reasons == (RISING,) and reply.seconds < WAVERING
            heard = replace(heard, hedged=bool(reasons) and not wavers)
        self._count(reply, heard, question)
        return heard

    def _count(self, reply: Reply, heard: Heard, question: Question) -> None:
        if not heard.accepted:
            self.heard["refused"] += 1
        elif (heard.meaning, heard.value) == (reply.meaning, reply.value):
            self.heard["as meant"] += 1
        elif {heard.meaning, reply.meaning} == _ONE_AND_TWO:
            self.heard["one and two exchanged"] += 1
            self.exchanged.append(question.eye.value)
        else:
            self.heard["taken for another"] += 1


class SpokenReply:
    """What was heard of a reply, and how long it took."""

    def __init__(self, heard: Heard, seconds: float) -> None:
        self._heard, self.seconds = heard, seconds

    def heard(self) -> Heard:
        return self._heard


def exams(cohort: Cohort, first: int, last: int, room: str) -> Iterator[ExamRecord]:
    """As `patients.cohort.exams`, but heard: some seconds an exam. Same seed, same sounds."""
    voices = _voices()
    for number in range(first, last):
        patient, start = draw_patient(cohort, number)
        exam = Exam(start, weigh)
        clips = Clips.load(voices[number % len(voices)], number)
        speaking = SpokenPatient(patient, exam, room, clips, f"{cohort.seed}/{number}/{room}")
        record = sit(speaking, exam, number)
        yield replace(record, spoken=SpokenReplies(tuple(sorted(speaking.heard.items())), tuple(speaking.exchanged)))

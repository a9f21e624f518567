"""Virtual patients who speak: what reaches the exam is what was heard, and what became of each reply is counted."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from assistant.cli import main
from assistant.commands import simulate_spoken
from assistant.commands.demo_clips import Clips
from assistant.commands.hear import grammars
from assistant.commands.simulate_spoken import ROOMS, SpokenPatient
from assistant.hearing.recogniser import Samples
from assistant.optics.lens import Lens
from assistant.optics.power_vector import PowerVector
from assistant.patients.cohort import Cohort, SpokenReplies, Tally, exam_of
from assistant.patients.eye import Eye as VirtualEye
from assistant.patients.patient import Reply, VirtualPatient
from assistant.protocol.effects import Say
from assistant.protocol.exam import Exam
from assistant.protocol.meanings import Heard, Meaning, Outcome
from assistant.protocol.questions import Choice, Eye, Legible, Question, Value

PAIR = Choice(Eye.LEFT, "sphere", Lens(0), Lens(-100))


class Told:
    """A recogniser that hears what it is told to, and keeps the sounds."""

    def __init__(self, heard: Heard) -> None:
        self.says = heard
        self.sounds: list[Samples] = []

    def hear(self, sound: Samples, grammar: Any) -> Heard:
        self.sounds.append(sound)
        return self.says


class Says(VirtualPatient):
    """Always answers the same."""

    def __init__(self, reply: Reply) -> None:
        super().__init__(VirtualEye(PowerVector(0, 0, 0)), VirtualEye(PowerVector(0, 0, 0)))
        self.answer = reply

    def reply(self, question: Question) -> Reply:
        return self.answer


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> Iterator[Told]:
    recogniser = Told(Heard("two", Outcome.HEARD, Meaning.SECOND))
    monkeypatch.setattr(simulate_spoken, "_ears", lambda: (recogniser, grammars()))
    yield recogniser


def speaking(reply: Reply, room: str = "quiet", clips: Clips | None = None) -> SpokenPatient:
    return SpokenPatient(Says(reply), Exam(), room, clips or Clips.load(seed=1), "seed")


ONE = Reply("one", Meaning.FIRST, seconds=0.9)


def test_one_taken_for_two_reaches_the_exam_and_is_counted_for_its_eye(told: Told) -> None:
    patient = speaking(ONE)
    heard = patient.reply(PAIR).heard()
    assert heard.meaning is Meaning.SECOND
    assert heard.after == 0.9
    assert patient.heard == {"spoken": 1, "one and two exchanged": 1}
    assert patient.exchanged == ["left"]


@pytest.mark.parametrize(
    ("says", "became"),
    [
        (Heard("one", Outcome.HEARD, Meaning.FIRST), "as meant"),
        (Heard("one", Outcome.DOUBTFUL, Meaning.FIRST), "refused"),
        (Heard("", Outcome.NOT_UNDERSTOOD), "refused"),
        (Heard("same", Outcome.HEARD, Meaning.SAME), "taken for another"),
    ],
)
def test_every_reply_is_counted_by_what_became_of_it(told: Told, says: Heard, became: str) -> None:
    told.says = says
    patient = speaking(ONE)
    assert patient.reply(PAIR).heard().accepted is says.accepted
    assert patient.heard == {"spoken": 1, became: 1}
    assert patient.exchanged == []


def test_another_line_is_no_line_as_meant(told: Told) -> None:
    told.says = Heard("twenty fifteen", Outcome.HEARD, Meaning.SET_ACUITY, "20/15")
    patient = speaking(Reply("twenty fifty", Meaning.SET_ACUITY, "20/50"))
    question = replace(PAIR)  # any question will do for the count; the clip is chosen by its form
    assert patient.reply(question).heard() == Reply("twenty fifty", Meaning.SET_ACUITY, "20/50").heard()
    assert patient.heard == {"typed": 1}  # nobody says a line when asked for a lens


def test_what_no_clip_says_is_typed(told: Told) -> None:
    reply = Reply("age 71", Meaning.SET_AGE, 71)
    patient = speaking(reply)
    assert patient.reply(Value(Eye.BOTH, "age", "age")).heard() == reply.heard()
    assert patient.heard == {"typed": 1}
    assert told.sounds == []


def test_an_answer_is_typed_once_the_exam_asks_for_that(told: Told) -> None:
    told.says = Heard("one", Outcome.DOUBTFUL, Meaning.FIRST)
    exam = Exam()
    exam.begin()
    for value in (Reply("age 30", Meaning.SET_AGE, 30), Reply("pd 62", Meaning.SET_PD, 62.0)):
        exam.hear(value.heard())
    patient = SpokenPatient(Says(ONE), exam, "quiet", Clips.load(seed=1), "seed")
    asked = False
    while not asked:
        assert not patient.heard["typed when asked to"]
        said = exam.hear(patient.reply(PAIR).heard())
        asked = any(isinstance(effect, Say) and effect.key == "type_or_say" for effect in said)
    assert patient.reply(PAIR).heard() == ONE.heard()
    assert patient.heard["typed when asked to"] == 1


def test_silence_is_no_answer(told: Told) -> None:
    clips = Clips.load(seed=1)
    patient = speaking(ONE, clips=clips.with_sound(lambda clip: np.zeros(8000, np.float32)))
    heard = patient.reply(PAIR).heard()
    assert heard.outcome is Outcome.SILENCE
    assert patient.heard == {"spoken": 1, "not noticed": 1}


def test_the_same_seed_makes_the_same_sounds_and_the_room_is_heard(told: Told) -> None:
    for room in ("quiet", "quiet", "10dB"):
        speaking(ONE, room).reply(PAIR)
    first, again, loud = told.sounds
    assert np.array_equal(first, again)
    power = [float(np.mean(np.square(sound[-1600:]))) for sound in (first, loud)]  # after the word: noise alone
    assert power[1] > 10 * power[0]
    assert ROOMS["quiet"] > ROOMS["10dB"]


def test_a_word_in_a_quiet_room_is_heard_as_it_was_meant() -> None:
    patient = speaking(Reply("yes", Meaning.YES))
    heard = patient.reply(Legible(Eye.RIGHT, "over_minus", Lens(0), "20/20")).heard()
    assert heard.accepted
    assert heard.meaning is Meaning.YES
    assert patient.heard == {"spoken": 1, "as meant": 1}


def test_a_misled_eye_is_counted_once_and_only_without_a_flag() -> None:
    record = exam_of(Cohort("exact", seed=1), 0)
    spoken = SpokenReplies((("as meant", 9),), ("right", "right"))
    off = replace(record.right, result=replace(record.right.result, sphere=1500), flags=())
    tally = Tally()
    tally.add(replace(record, spoken=spoken, right=off))
    tally.add(replace(record, spoken=spoken, right=replace(off, flags=("contradiction",))))
    tally.add(replace(record, spoken=spoken, right=replace(record.right, flags=())))
    other = Tally()
    other.merge(tally)
    assert other.summary()["spoken"] == {"as meant": 27}
    assert other.summary()["misled"] == 1


def test_a_cohort_that_did_not_speak_has_no_such_figures() -> None:
    tally = Tally()
    tally.add(exam_of(Cohort("exact", seed=1), 0))
    assert "spoken" not in tally.summary()


def test_answers_are_given_in_one_way(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["simulate", "--spoken", "quiet", "--through-text"]) == 1
    assert "--spoken" in capsys.readouterr().err

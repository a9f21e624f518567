"""The log's utterances into a new exam: the same effects and the very same state."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from foreign import ForeignPatient, Rules, mixed
from hypothesis import given
from sitting import Answer, honest
from test_properties_exam import ALIKE, alike, many, starts, unhurried

from assistant.data import grammar_sources
from assistant.evidence.together import weigh
from assistant.grammar import Grammars
from assistant.protocol.effects import Recorded
from assistant.protocol.exam import Exam
from assistant.protocol.meanings import Heard, Speaker
from assistant.protocol.start import Start
from assistant.record.events import event, heard_from_event
from assistant.record.folder import ExamFolder, log_of
from assistant.record.replay import replay
from assistant.record.starts import start_from_dict, start_to_dict
from assistant.session import Session


def through_the_log(heard: Heard) -> Heard:
    """The utterance as it comes back from a line of the log."""
    return heard_from_event(json.loads(json.dumps(event(Recorded(heard, True)))))


def again(exam: Exam, told: list[Heard]) -> Exam:
    """A new exam with the same start and what the log kept of the utterances."""
    start = start_from_dict(json.loads(json.dumps(start_to_dict(exam.start))))
    fresh = Exam(start, exam.weigh)
    fresh.begin()
    for heard in told:
        fresh.hear(through_the_log(heard))
    return fresh


@unhurried
@given(starts, many)
def test_any_exam_replays_to_the_same_state(start: Start, told: list[Heard]) -> None:
    exam, other = Exam(start), Exam(start_from_dict(start_to_dict(start)))
    assert exam.begin() == other.begin()
    for heard in told:
        assert exam.hear(heard) == other.hear(through_the_log(heard))
        assert exam.state == other.state
    assert exam.close() == other.close()
    assert exam.state == other.state


@pytest.mark.parametrize("who", ["honest", "second-no-20/60", "same-yes-20/200", "chance-3", "in-turn", "silent"])
def test_a_whole_exam_replays_to_the_same_state(who: str) -> None:
    assert who in {"honest", *ALIKE}
    answer: Answer = honest() if who == "honest" else dict(alike())[who]
    exam, told = Exam(Start(), weigh), []
    exam.begin()
    while not exam.over:
        assert exam.question is not None
        told.append(answer(exam.question))
        exam.hear(told[-1])
    assert again(exam, told).state == exam.state


@pytest.mark.parametrize("seed", range(3))
def test_the_log_on_the_disk_replays_to_the_live_state(tmp_path: Path, seed: int) -> None:
    """Words typed, parsed by the live grammar, logged, read back and fed to a new exam."""
    patient = ForeignPatient(mixed(seed), (-3.1, -1.2, 77, 0.0), (1.4, -0.4, 10, 0.0), seed)
    header = {"start": {"age": 31, "patient": "K-07"}}
    with ExamFolder.create(tmp_path / "exam", header=header) as folder:
        session = Session(Grammars(grammar_sources()), start_from_dict(header["start"]), folder)
        session.begin()
        while session.question is not None:
            heard = patient.hear(session.question)
            session.take(session.typed(heard.text, Speaker.PATIENT if heard.by is Speaker.PATIENT else None))
    log = log_of(tmp_path / "exam")
    replayed = replay(log)
    assert replayed.parted is None
    fresh = Exam(start_from_dict(dict(log.header["start"])), weigh)
    fresh.begin()
    for held in log.of_kind("heard"):
        fresh.hear(heard_from_event(held))
    assert fresh.state == session.exam.state
    own = ("seq", "at", "prev", "hash", "header", "expects", "say", "says")
    kept = [held for held in log.events if held["kind"] != "prompt"]
    made = [event(effect) for effect in replayed.effects]
    made = [held for held in made if held["kind"] != "prompt"]
    for eye in ("right", "left"):  # worked out when the draft is given, not by the exam; none where answers do not fit
        stated = kept[-1][eye].pop("interval")
        assert stated is None or stated["level"] == 0.95
        assert made[-1][eye].pop("interval") is None
    for written, effect in zip(kept, made, strict=True):
        assert {key: value for key, value in written.items() if key not in own} == {
            key: value for key, value in effect.items() if key not in own
        }


def test_an_honest_patient_of_other_words_comes_to_the_same_draft() -> None:
    """Wording is not meaning: short and long answers lead to the same lenses."""
    grammars = Grammars(grammar_sources())
    drafts = []
    for words in ("short", "long"):
        patient = ForeignPatient(Rules(words=words), (-3.1, -1.2, 77, 0.0), (1.4, -0.4, 10, 0.0))
        session = Session(grammars)
        session.begin()
        while session.question is not None:
            session.take(session.typed(patient.hear(session.question).text))
        drafts.append((session.exam.state.right.state.lens, session.exam.state.left.state.lens))
    assert drafts[0] == drafts[1]

"""Replaying the log gives what the log says; a corrected answer is followed only as far as it goes."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_exam import ticking

from assistant.errors import UserError
from assistant.evidence.together import weigh
from assistant.optics.lens import Lens
from assistant.protocol.effects import EyeResult, Prescribe
from assistant.protocol.exam import Exam
from assistant.protocol.meanings import Heard, Meaning, Outcome, Speaker
from assistant.protocol.start import Start, StartEye
from assistant.record.events import Event, event
from assistant.record.folder import ExamFolder, log_of
from assistant.record.log import Log, sealed
from assistant.record.replay import corrections, question_key, replay
from assistant.record.starts import start_to_dict
from assistant.record.verifying import verify_folder

START = Start(StartEye(Lens.of(-1, -0.75, 20), "20/60"), StartEye(), age=45, patient="K-07")

answers = st.sampled_from(
    [Meaning.FIRST, Meaning.SECOND, Meaning.SAME, Meaning.UNSURE, Meaning.YES, Meaning.NO, Meaning.AGAIN]
).map(lambda meaning: Heard(meaning.value, Outcome.HEARD, meaning, by=Speaker.PATIENT))
commands = st.sampled_from(
    [
        Meaning.UNDO,
        Meaning.SKIP,
        Meaning.NEXT,
        Meaning.PAUSE,
        Meaning.RESUME,
        Meaning.SWITCH_EYE,
        Meaning.CONFIRM,
    ]
).map(lambda meaning: Heard(meaning.value, Outcome.HEARD, meaning))
numbers = st.one_of(
    st.integers(-80, 80).map(lambda n: Heard("sphere", Outcome.HEARD, Meaning.SET_SPHERE, n * 25)),
    st.integers(-32, 0).map(lambda n: Heard("cylinder", Outcome.HEARD, Meaning.SET_CYLINDER, n * 25)),
    st.integers(1, 180).map(lambda n: Heard("axis", Outcome.HEARD, Meaning.SET_AXIS, n)),
    st.sampled_from(["20/20", "20/40"]).map(lambda line: Heard("vision", Outcome.HEARD, Meaning.SET_ACUITY, line)),
    st.floats(50, 75).map(lambda mm: Heard("p d", Outcome.HEARD, Meaning.SET_PD, mm)),
)
unclear = st.sampled_from(
    [
        Heard("", Outcome.SILENCE),
        Heard("mumble", Outcome.NOT_UNDERSTOOD),
        Heard("two", Outcome.DOUBTFUL, Meaning.SECOND, score=-4.5),
        Heard("axis two hundred", Outcome.OUT_OF_RANGE, Meaning.SET_AXIS, 200),
    ]
)
utterances = st.lists(st.one_of(answers, answers, answers, commands, numbers, unclear), max_size=60)


def sit(start: Start, said: list[Heard]) -> tuple[Exam, list[Event]]:
    """An exam with these utterances, ended when they end; its events, chained as the log has them."""
    exam = Exam(start, weigh)
    effects = list(exam.begin())
    for heard in said:
        effects += exam.hear(heard)
    effects += exam.close()
    events: list[Event] = []
    before = "0" * 64
    for seq, effect in enumerate(effects):
        content = {"seq": seq, "at": "2030-01-02T09:30:00.000Z", **event(effect)}
        if seq == 0:
            content["header"] = {"start": start_to_dict(start)}
        made, _ = sealed({**content, "prev": before})
        before = made["hash"]
        events.append(made)
    return exam, events


@settings(max_examples=150)
@given(st.sampled_from([START, Start()]), utterances)
def test_replaying_the_log_gives_the_exam_again(start: Start, said: list[Heard]) -> None:
    exam, events = sit(start, said)
    again = replay(Log(tuple(events)))
    assert again.parted is None
    replayed = [event(effect) for effect in again.effects]
    own = {"seq", "at", "prev", "hash", "header"}
    assert replayed == [{key: value for key, value in held.items() if key not in own} for held in events]
    assert exam.over


def cooperative(start: Start, corrected: dict[int, Meaning] | None = None) -> list[Heard]:
    """Answers to every question of an exam that always says "one"; `corrected` changes single ones."""
    exam = Exam(start, weigh)
    exam.begin()
    said: list[Heard] = []
    while not exam.over and len(said) < 300:
        form = exam.question.form if exam.question else "confirm"
        meaning, value = {
            "choice": (Meaning.FIRST, None),
            "legible": (Meaning.NO, None),
            "acuity": (Meaning.SET_ACUITY, "20/20"),
            "value": (Meaning.SKIP, None),
            "confirm": (Meaning.CONFIRM, None),
        }[form]
        heard = Heard(form, Outcome.HEARD, (corrected or {}).get(len(said), meaning), value)
        exam.hear(heard)
        said.append(heard)
    return said


def hearing(events: list[Event], place: int) -> Event:
    return [held for held in events if held["kind"] == "heard"][place]


def amended(events: list[Event], seq: int, **changes: object) -> Log:
    return Log((*events, {**events[seq], "amends": seq, **changes}))


def test_a_correction_that_changes_the_next_question_stops_the_replay_there() -> None:
    said = cooperative(START)
    _, events = sit(START, said)
    place = next(
        number for number, held in enumerate(h for h in events if h["kind"] == "heard") if held["text"] == "choice"
    )
    held = hearing(events, place)
    outcome = replay(amended(events, held["seq"], meaning="second"))
    after = hearing(events, place + 1)
    assert outcome.parted is not None
    assert outcome.parted["seq"] == after["seq"]
    assert outcome.left_out == len(said) - place - 1
    # what it would ask is what an exam with that answer does ask
    exam = Exam(START, weigh)
    exam.begin()
    for heard in [*said[:place], Heard("choice", Outcome.HEARD, Meaning.SECOND)]:
        exam.hear(heard)
    assert question_key(outcome.would_ask) == question_key(exam.question)


def test_a_correction_that_changes_no_question_gives_the_prescription_that_would_have_followed() -> None:
    said = cooperative(START)
    _, events = sit(START, said)
    places = [number for number, heard in enumerate(said) if heard.text == "acuity"]
    held = hearing(events, places[-1])
    outcome = replay(amended(events, held["seq"], value="20/25"))
    if outcome.parted is None:
        assert outcome.prescription is not None
        assert "20/25" in (outcome.prescription.right.acuity, outcome.prescription.left.acuity)
    else:  # the exam of this version asks something else after another acuity
        assert outcome.parted["seq"] > held["seq"]
    plain = replay(Log(tuple(events)))
    assert replay(amended(events, held["seq"], value="20/25"), corrected=False).effects == plain.effects


def test_the_last_correction_of_a_hearing_counts() -> None:
    first = {"kind": "heard", "amends": 4, "meaning": "first"}
    last = {"kind": "heard", "amends": 4, "meaning": "same"}
    assert corrections(({"kind": "heard"}, first, {"kind": "step"}, last)) == {4: last}


def test_a_start_that_cannot_be_read_is_told_plainly(tmp_path: Path) -> None:
    with ExamFolder.create(tmp_path / "exam", ticking(), {"start": {"age": "old"}}) as folder:
        folder.append({"kind": "step", "eye": "right", "step": "sphere", "status": "begun"})
    with pytest.raises(UserError, match="starting point cannot be used: age"):
        replay(log_of(tmp_path / "exam"))


# ---------------------------------------------------------------------------------------- in verify
def folder_with(tmp_path: Path, events: list[Event]) -> Path:
    with ExamFolder.create(tmp_path / "exam", ticking(), {"start": start_to_dict(START)}) as folder:
        for held in events:
            own = ("seq", "at", "prev", "hash", "header")
            folder.append({key: value for key, value in held.items() if key not in own})
        folder.build()
    return tmp_path / "exam"


def test_verify_replays_the_exam(tmp_path: Path) -> None:
    _, events = sit(START, cooperative(START))
    verdict = verify_folder(folder_with(tmp_path, events))
    assert verdict.problems == []
    assert any(text.startswith("replay: the answers lead to the same") for text in verdict.holds)


def test_verify_tells_a_prescription_the_answers_do_not_lead_to(tmp_path: Path) -> None:
    """A log written anew as a whole, to another prescription, is sound line by line; the replay tells."""
    _, events = sit(START, cooperative(START))
    forged = [
        {**held, "right": {**held["right"], "sphere": -6.0}} if held["kind"] == "prescription" else held
        for held in events
    ]
    verdict = verify_folder(folder_with(tmp_path, forged))
    assert verdict.problems == []
    assert any("to another prescription" in note for note in verdict.notes)


def test_verify_tells_answers_to_questions_this_version_does_not_ask(tmp_path: Path) -> None:
    _, events = sit(START, cooperative(START))
    asked = next(place for place, held in enumerate(events) if held["kind"] == "question")
    events[asked] = {**events[asked], "step": "another"}
    verdict = verify_folder(folder_with(tmp_path, events))
    assert any("asks something else at event" in note for note in verdict.notes)


def test_verify_tells_a_start_that_cannot_be_replayed(tmp_path: Path) -> None:
    with ExamFolder.create(tmp_path / "exam", ticking(), {"start": {"age": "old"}}) as folder:
        folder.append(event(Prescribe(NOTHING, NOTHING, None, False)))
        folder.build()
    assert any("replay: not possible" in note for note in verify_folder(tmp_path / "exam").notes)


NOTHING = EyeResult(None, None, None, None, None, complete=False)

"""Events that are none, in a log whose hashes hold: somebody wrote it so, and no command may trip over it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from long_exam import write_long_exam
from small_exam import SMALL_EXAM, record_small_exam, ticking

from assistant.cli import main
from assistant.record.events import Event, event
from assistant.record.folder import log_of
from assistant.record.log import NO_HASH, sealed
from assistant.record.shape import fault_of, faults

AT = "2030-01-02T09:30:00.125Z"

# The keys of each kind that the command line promises, and no more but `confirmed`, which every draft has.
EYE = {"sphere": -1.25, "cylinder": -0.5, "axis": 90, "add": None, "acuity": "20/20"}
CONTRACT: dict[str, Event] = {
    "prompt": {"to": "examiner", "say": "Ready."},
    "question": {"eye": "right", "step": "sphere", "form": "choice", "expects": ["one", "two"]},
    "heard": {"text": "two", "meaning": "second", "by": None, "accepted": True, "score": -1.5, "after": 1.8},
    "lens": {"eye": "left", "sphere": -1.25, "cylinder": -0.5, "axis": 90, "cross_cylinder": None},
    "step": {"eye": "both", "step": "near", "status": "skipped"},
    "flag": {"code": "one_sided", "eye": "right", "says": "Seven answers in a row were two"},
    "prescription": {"right": EYE, "left": EYE, "pd": 62.0, "status": "draft", "confirmed": True},
}


def of(kind: str, **changed: Any) -> Event:
    return {"seq": 0, "at": AT, "kind": kind, **CONTRACT[kind], **changed}


def rewritten(folder: Path, change: Callable[[list[Event]], object]) -> None:
    """Change the log's events, and give every line the hash that fits it."""
    log = folder / "exam.jsonl"
    events = [json.loads(line) for line in log.read_text().splitlines()]
    change(events)
    before, lines = NO_HASH, b""
    for held in events:
        written, line = sealed({**{key: value for key, value in held.items() if key != "hash"}, "prev": before})
        before = written["hash"]
        lines += line
    log.write_bytes(lines)


@pytest.mark.parametrize("kind", CONTRACT)
def test_the_contracts_events_pass(kind: str) -> None:
    assert fault_of(of(kind)) is None
    assert fault_of(of(kind, more=[1])) is None, "further keys pass"


def test_every_event_of_an_exam_passes(tmp_path: Path) -> None:
    assert faults(log_of(write_long_exam(tmp_path / "exam")).events) == []
    for effect, words in SMALL_EXAM:
        assert fault_of({"seq": 0, "at": AT, **event(effect, words)}) is None


def test_a_kind_of_a_later_version_passes() -> None:
    assert fault_of({"seq": 0, "at": AT, "kind": "something_new", "eye": 7}) is None


@pytest.mark.parametrize(
    ("held", "what"),
    [
        (of("prompt", say=None), "say cannot be None"),
        ({"seq": 0, "at": AT, "kind": "flag", "code": "x", "eye": "right"}, "says is missing"),
        (of("step", seq=True), "seq cannot be True"),
        (of("step", at="2030-13-01T00:00:00Z"), "at cannot be '2030-13-01T00:00:00Z'"),
        (of("step", at="2030-01-01T00:00:00"), "at cannot be"),  # of no time zone: any moment of a day
        (of("step", header=[]), "header cannot be []"),
        (of("heard", meaning="third"), "meaning: 'third' is none of"),
        (of("heard", accepted="yes"), "accepted cannot be 'yes'"),
        (of("heard", score="high"), "score cannot be 'high'"),
        (of("heard", value=[1]), "value cannot be [1]"),
        (of("prescription", left=3), "left cannot be 3"),
        (of("prescription", right={**EYE, "sphere": "much"}), "prescription: "),
        (of("prescription", right={**EYE, "sphere": 1e308}), "infinity"),
        (of("prescription", pd="wide"), "pd cannot be 'wide'"),
        (of("prescription", signed="me"), "signed cannot be 'me'"),
        (of("prescription", signed={"by": "A", "at": AT, "method": "name"}), "must state (licence)"),
        (of("prompt", say=["9" * 5000]), "..."),
    ],
)
def test_what_is_no_event_is_named(held: Event, what: str) -> None:
    fault = fault_of(held)
    assert fault is not None
    assert what in fault
    assert len(fault) < 250


@settings(max_examples=60)
@given(st.sampled_from(sorted(CONTRACT)), st.data())
def test_no_value_makes_the_check_itself_fail(kind: str, data: st.DataObject) -> None:
    held = of(kind)
    key = data.draw(st.sampled_from(sorted(held)))
    held[key] = data.draw(
        st.recursive(
            st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
            lambda part: st.lists(part, max_size=3) | st.dictionaries(st.text(), part, max_size=3),
            max_leaves=5,
        )
    )
    fault = fault_of(held)
    assert fault is None or fault


COMMANDS = (
    ("verify",),
    ("export", "--to", "csv"),
    ("export", "--to", "fhir"),
    ("export", "--to", "pdf"),
    ("sign", "--by", "A", "--licence", "L"),
    ("amend", "--right", "-1.00"),
    ("rehear",),
    ("resume", "--listen", "text"),
)


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_every_command_names_the_line(exam: Path, command: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    rewritten(exam, lambda events: events[7].pop("says"))
    before = (exam / "exam.jsonl").read_bytes()
    assert main([command[0], str(exam), *command[1:]]) == 1
    (told,) = capsys.readouterr().err.splitlines()
    assert "line 8 (event 7): is no event of an exam: says is missing" in told
    assert (exam / "exam.jsonl").read_bytes() == before


def test_review_shows_the_rest_and_says_so_first(exam: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rewritten(exam, lambda events: events[7].pop("says"))
    assert main(["review", str(exam)]) == 0
    assert "line 8 (event 7): is no event of an exam" in capsys.readouterr().err
    assert "The record does not hold" in (exam / "report.html").read_text()


def test_recordings_are_dropped_all_the_same(exam: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rewritten(exam, lambda events: events[7].pop("says"))
    assert main(["forget", str(exam), "--audio"]) == 1
    told = capsys.readouterr()
    assert "Deleted 3 recordings" in told.out
    assert "says is missing" in told.err
    assert list((exam / "audio").iterdir()) == []


def test_a_small_exam_is_written_as_it_was(tmp_path: Path) -> None:
    """`rewritten` itself: without a change the log stays byte for byte."""
    record_small_exam(tmp_path / "exam", ticking()).close()
    before = (tmp_path / "exam" / "exam.jsonl").read_bytes()
    rewritten(tmp_path / "exam", lambda events: None)
    assert (tmp_path / "exam" / "exam.jsonl").read_bytes() == before

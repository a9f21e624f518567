"""The conversation on the screen: plain lines for a file, laid for a terminal as wide as it is now."""

from __future__ import annotations

import io
import os
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.watching import Conversation

QUESTION = {
    "kind": "prompt",
    "to": "examiner",
    "key": "ask",
    "say": "Right eye: sphere, two clicks of plus, back to one, two more in quarters, to plus one point five zero.",
}
PATIENT = {"kind": "prompt", "to": "patient", "key": "ask", "say": "Which is better: one, or two?"}
TOLD = {"kind": "prompt", "to": "examiner", "key": "undone", "say": "Undone."}
PAUSED = {"kind": "prompt", "to": "examiner", "key": "paused", "say": "Paused. Say resume to go on."}
CAUTION = {"kind": "flag", "code": "no_answer", "eye": "right", "says": "Right eye: no usable answer at this step."}
BOLD, PLAIN = "\x1b[1m", "\x1b[0m"  # ECMA-48, 8.3.117 SGR: 1 bold, 0 default


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture(autouse=True)
def plain_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("NO_COLOR", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("TERM", "xterm")
    if os.name == "nt":
        monkeypatch.setenv("WT_SESSION", "there is one")


def shown(out: io.StringIO, *events: dict[str, Any]) -> list[str]:
    conversation = Conversation(out)
    for event in events:
        conversation(event)
    return out.getvalue().splitlines()


def test_a_file_has_one_plain_line_an_event(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    assert shown(io.StringIO(), TOLD, QUESTION, CAUTION) == [
        " assistant  Undone.",
        f" assistant  {QUESTION['say']}",
        "   CAUTION  Right eye: no usable answer at this step.",
    ]


def test_a_terminal_breaks_between_words_under_the_text(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    monkeypatch.setenv("NO_COLOR", "1")
    assert shown(Terminal(), QUESTION) == [
        "",
        " assistant  Right eye: sphere, two",
        "            clicks of plus, back to",
        "            one, two more in quarters,",
        "            to plus one point five",
        "            zero.",
    ]


def test_the_width_is_the_one_it_has_now(monkeypatch: pytest.MonkeyPatch) -> None:
    out = Terminal()
    conversation = Conversation(out)
    for columns in (40, 80, 200):
        monkeypatch.setenv("COLUMNS", str(columns))
        out.truncate(out.seek(0))
        conversation({**QUESTION, "key": "read_back"})
        lines = out.getvalue().splitlines()
        assert max(map(len, lines)) < columns
        assert len(lines) == {40: 5, 80: 2, 200: 1}[columns]


@given(st.text(max_size=300), st.integers(1, 300))
def test_no_word_is_lost_at_any_width(text: str, columns: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", str(columns))
        wide, narrow = io.StringIO(), Terminal()
        for out in (wide, narrow):
            Conversation(out)({**TOLD, "say": text})
    assert "".join(narrow.getvalue().split()) == "".join(wide.getvalue().split())
    assert all(len(line) < max(columns, 30) for line in narrow.getvalue().splitlines())


def test_the_standing_question_a_pause_and_cautions_are_bold_and_nothing_else(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "150")
    assert shown(Terminal(), TOLD, QUESTION, PATIENT, CAUTION, PAUSED) == [
        " assistant  Undone.",
        "",
        f"{BOLD} assistant  {QUESTION['say']}{PLAIN}",
        f"{BOLD}to patient  {PATIENT['say']}{PLAIN}",
        f"{BOLD}   CAUTION  {CAUTION['says']}{PLAIN}",
        "",
        f"{BOLD} assistant  {PAUSED['say']}{PLAIN}",
    ]


@pytest.mark.parametrize(("name", "value"), [("NO_COLOR", "1"), ("TERM", "dumb")])
def test_where_bold_is_not_wanted_the_empty_line_and_the_word_stay(
    monkeypatch: pytest.MonkeyPatch, name: str, value: str
) -> None:
    monkeypatch.setenv(name, value)  # https://no-color.org: present and not empty
    lines = shown(Terminal(), QUESTION, CAUTION)
    assert lines[0] == "" and "\x1b" not in "".join(lines)
    assert lines[-1].split()[0] == "CAUTION"


def test_what_would_be_an_order_to_the_terminal_is_written_out() -> None:
    (line,) = shown(Terminal(), {**TOLD, "say": "\x1b[2J\x07gone"})
    assert line == " assistant  \\x1b[2J\\x07gone"

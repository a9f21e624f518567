"""`resume`: an exam cut off goes on where it stood, and comes to what it would have come to."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest

from assistant.cli import main

BEGINNING = ["fifty", "sixty two", "twenty fifty", "one", "two"]
REST = ["two", "one", "same", "undo", "one", "finish", "confirm"]


def typed(monkeypatch: pytest.MonkeyPatch, lines: list[str], *arguments: str) -> int:
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))
    return main([*arguments, "--listen", "text"])


def draft(folder: Path) -> Any:
    held = json.loads((folder / "prescription.json").read_text("utf-8"))
    return {key: held[key] for key in ("right", "left", "pd")}


def test_a_resumed_exam_comes_to_the_same(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    whole, cut = tmp_path / "whole", tmp_path / "cut"
    assert typed(monkeypatch, BEGINNING + REST, "exam", "--out", str(whole)) == 0
    assert typed(monkeypatch, BEGINNING, "exam", "--out", str(cut)) == 0
    assert typed(monkeypatch, REST, "resume", str(cut)) == 0
    assert draft(cut) == draft(whole)
    assert main(["verify", str(cut)]) == 0


def test_an_exam_can_be_cut_off_more_than_once(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    whole, cut = tmp_path / "whole", tmp_path / "cut"
    lines = BEGINNING + REST
    assert typed(monkeypatch, lines, "exam", "--out", str(whole)) == 0
    assert typed(monkeypatch, lines[:1], "exam", "--out", str(cut)) == 0
    for begin in range(1, len(lines), 3):
        assert typed(monkeypatch, lines[begin : begin + 3], "resume", str(cut)) == 0
    assert draft(cut) == draft(whole)
    assert main(["verify", str(cut)]) == 0


def test_the_standing_question_is_put_again_first(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert typed(monkeypatch, BEGINNING, "exam", "--out", str(tmp_path / "e"), "--events", "-") == 0
    asked = [e for e in map(json.loads, capsys.readouterr().out.splitlines()) if e["kind"] == "question"]
    assert typed(monkeypatch, [], "resume", str(tmp_path / "e"), "--events", "-") == 0
    again = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    first = next(e for e in again if e["kind"] == "question")
    what = ("eye", "step", "form", "choices", "lens", "line", "of", "what")
    assert [first.get(key) for key in what] == [asked[-1].get(key) for key in what]
    assert again[0]["seq"] > asked[-1]["seq"]  # the same log goes on


def test_a_finished_exam_is_not_reopened(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert typed(monkeypatch, [*BEGINNING, "finish", "confirm"], "exam", "--out", str(tmp_path / "e")) == 0
    log = (tmp_path / "e" / "exam.jsonl").read_bytes()
    assert typed(monkeypatch, REST, "resume", str(tmp_path / "e")) == 1
    assert capsys.readouterr().err.count("\n") == 1
    assert (tmp_path / "e" / "exam.jsonl").read_bytes() == log


def test_no_exam_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["resume", str(tmp_path), "--listen", "text"]) == 1
    assert "no exam" in capsys.readouterr().err

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


def written(folder: Path) -> list[Any]:
    """The log without what its writer adds."""
    added = ("seq", "at", "prev", "hash", "header")
    lines = (folder / "exam.jsonl").read_text("ascii").splitlines()
    return [{key: held for key, held in json.loads(line).items() if key not in added} for line in lines]


def test_cut_off_anywhere_nothing_that_followed_is_lost(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A power cut between an answer and the cautions, lenses and question that follow from it: they are logged when the
    exam goes on, for they would never come again."""
    whole, said = tmp_path / "whole", [*BEGINNING, "two", "finish", "confirm"]
    assert typed(monkeypatch, said, "exam", "--out", str(whole)) == 0
    lines, events = (whole / "exam.jsonl").read_bytes().splitlines(keepends=True), written(whole)
    answers = [place for place, event in enumerate(events) if event["kind"] == "heard"]
    for cut in range(1, len(lines)):
        folder = tmp_path / f"cut{cut}"
        folder.mkdir()
        (folder / "exam.jsonl").write_bytes(b"".join(lines[:cut]))
        answered = sum(place < cut for place in answers)
        assert typed(monkeypatch, said[answered:], "resume", str(folder)) == 0, cut
        following = next((place for place in answers if place >= cut), len(events))
        assert written(folder)[:following] == events[:following], cut
        assert draft(folder) == draft(whole), cut
        assert main(["verify", str(folder)]) == 0, cut


def test_an_exam_that_paused_is_said_to_pause(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert typed(monkeypatch, [*BEGINNING, "pause"], "exam", "--out", str(tmp_path / "e")) == 0
    capsys.readouterr()
    assert typed(monkeypatch, [], "resume", str(tmp_path / "e")) == 0
    assert "Paused. Say resume" in capsys.readouterr().out


@pytest.mark.parametrize(
    "since",
    [
        ("amend", "--right=+2.25 -0.75 x 010"),
        ("amend", "--event", "{heard}", "--meaning", "first"),
        ("sign", "--by", "Practitioner P1", "--licence", "L-1"),
    ],
)
def test_what_was_corrected_or_signed_since_is_not_undone_by_going_on(
    since: tuple[str, ...], monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "e"
    assert typed(monkeypatch, BEGINNING, "exam", "--out", str(folder)) == 0
    heard = [place for place, event in enumerate(written(folder)) if event["kind"] == "heard"]
    command, *options = (part.format(heard=heard[-1]) for part in since)
    assert main([command, str(folder), *options]) == 0
    log = (folder / "exam.jsonl").read_bytes()
    capsys.readouterr()
    assert typed(monkeypatch, REST, "resume", str(folder)) == 1
    assert "corrected or signed" in capsys.readouterr().err
    assert (folder / "exam.jsonl").read_bytes() == log


def test_answers_that_lead_elsewhere_leave_the_log_as_it_is(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As with another version of the protocol: here, one that knows a question the log does not."""
    folder = tmp_path / "e"
    assert typed(monkeypatch, BEGINNING, "exam", "--out", str(folder)) == 0
    log = (folder / "exam.jsonl").read_bytes()
    monkeypatch.setattr("assistant.protocol.plan.SETTING_UP", ())
    assert typed(monkeypatch, REST, "resume", str(folder)) == 1
    assert "lead elsewhere" in capsys.readouterr().err
    assert (folder / "exam.jsonl").read_bytes() == log


@pytest.mark.parametrize("name", ["exam.jsonl", "transcript.txt", "audio/0001.flac"])
def test_the_events_never_take_the_place_of_an_exam(
    name: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "e"
    assert typed(monkeypatch, BEGINNING, "exam", "--out", str(folder)) == 0
    (folder / "audio" / "0001.flac").write_bytes(b"sound")
    before = (folder / name).read_bytes()
    capsys.readouterr()
    assert typed(monkeypatch, REST, "resume", str(folder), "--events", str(folder / name)) == 1
    assert "belongs to an exam" in capsys.readouterr().err
    assert (folder / name).read_bytes() == before


def test_an_exam_cut_off_at_its_very_end_waits_for_nobody(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Confirmed, but its draft not written: that is all there is left to do."""
    whole, cut = tmp_path / "whole", tmp_path / "cut"
    assert typed(monkeypatch, [*BEGINNING, "finish", "confirm"], "exam", "--out", str(whole)) == 0
    lines = (whole / "exam.jsonl").read_bytes().splitlines(keepends=True)
    confirmed = next(place for place, event in enumerate(written(whole)) if event.get("meaning") == "confirm")
    cut.mkdir()
    (cut / "exam.jsonl").write_bytes(b"".join(lines[: confirmed + 1]))
    assert typed(monkeypatch, ["one"], "resume", str(cut)) == 0
    assert written(cut) == written(whole)

"""`settings`, and the options of `exam` that say how it is to run: what goes above what, and what is refused."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest

from assistant.cli import main
from assistant.settings import PLACE, TEMPLATE, merged, parse, read_settings


@pytest.fixture(autouse=True)
def nobodys_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The usual settings file of these tests: none yet."""
    place = tmp_path / "usual" / "settings.ini"
    monkeypatch.setenv(PLACE, str(place))
    return place


def shown(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    assert main(["settings", "show", "--json", *arguments]) == 0
    told: dict[str, Any] = json.loads(capsys.readouterr().out)
    return told


def exam_start(monkeypatch: pytest.MonkeyPatch, folder: Path, *arguments: str) -> dict[str, Any]:
    """The start an exam ran with, as its log has it."""
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    assert main(["exam", "--listen", "text", "--out", str(folder), *arguments]) == 0
    header = json.loads((folder / "exam.jsonl").read_text().splitlines()[0])["header"]
    start: dict[str, Any] = header["start"]
    return start


def test_without_a_file_the_defaults_hold(capsys: pytest.CaptureFixture[str]) -> None:
    told = shown(capsys)
    assert told["file"] is None
    assert (told["cylinders"], told["near"], told["balance"], told["vertex"]) == ("minus", "auto", False, None)


def test_init_writes_a_file_that_changes_nothing_and_never_over_another(
    capsys: pytest.CaptureFixture[str], nobodys_settings: Path
) -> None:
    before = shown(capsys)
    assert main(["settings", "init"]) == 0
    capsys.readouterr()
    assert shown(capsys) == {**before, "file": str(nobodys_settings)}
    assert main(["settings", "init"]) == 1
    assert "is there already" in capsys.readouterr().err


def test_every_setting_of_the_template_can_be_set(tmp_path: Path) -> None:
    changed = {
        "cylinders": "plus", "sphere_low": "-19.00", "sphere_high": "16.75", "cylinder_most": "6.00", "vertex": "13.5",
        "near": "on", "working_distance": "50", "balance": "yes", "duochrome": "on", "intake": "1",
        "power_by": "cross", "microphone": "desk", "engine": "vosk", "model": "here",
    }  # fmt: skip
    lines = []
    for line in TEMPLATE.splitlines():
        key = line.removeprefix("#").partition("=")[0].strip()
        lines.append(f"{key} = {changed.pop(key)}" if line.startswith("#") and key in changed else line)
    assert not changed, "a setting is missing from the template"
    settings = parse("\n".join(lines), tmp_path)
    assert settings.start["vertex"] == 13.5
    assert settings.start["manner"]["instrument"] == {
        "cylinders": "plus", "sphere_low": -19.0, "sphere_high": 16.75, "cylinder_most": 6.0,
    }  # fmt: skip
    assert settings.start["manner"]["balance"] is True and settings.start["manner"]["working_distance"] == 50
    assert settings.listening == {"microphone": "desk", "engine": "vosk", "model": "here"}


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[exam]\nbalance = maybe\n", "balance: 'maybe' is neither yes nor no"),
        ("[exam]\nworking_distance = far\n", "'far' is not a number"),
        ("[exam]\nworking_distance = 5\n", "5 cm is outside 10 to 200"),
        ("[exam]\nnear = sometimes\n", "none of on, off, auto"),
        ("[exam]\nballance = yes\n", "no such key"),
        ("[eyes]\n", "is none of [instrument]"),
        ("[instrument]\ncylinders = both\n", "none of minus, plus"),
        ("[instrument]\nsphere_low = 2\n", "not a range about zero"),
        ("[instrument]\nsphere_low = nan\n", "is not a power"),
        ("[instrument]\nvertex = 40\n", "outside 0 to 20"),
        ("balance = yes\n", "no section headers"),
        ("[exam\n", "no section headers"),
        ("[exam]\nnear = on\nnear = off\n", "already exists"),
    ],
)
def test_a_file_that_cannot_be_used_is_one_line_and_exit_1(
    text: str, told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "settings.ini"
    path.write_text(text)
    assert main(["settings", "show", "--settings", str(path)]) == 1
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert str(path) in error and told in error


def test_a_file_that_is_asked_for_has_to_be_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["settings", "show", "--settings", str(tmp_path / "none.ini")]) == 1
    assert "does not exist" in capsys.readouterr().err
    assert read_settings().path is None  # the usual one need not be


def test_settings_start_file_and_options_lie_over_one_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, nobodys_settings: Path
) -> None:
    nobodys_settings.parent.mkdir()
    nobodys_settings.write_text("[exam]\nbalance = yes\nnear = off\n[instrument]\ncylinders = plus\nvertex = 12\n")
    given = tmp_path / "start.json"
    given.write_text('{"age": 50, "vertex": 14, "manner": {"near": "on", "duochrome": true}}')
    start = exam_start(monkeypatch, tmp_path / "a", "--start", str(given), "--balance", "off", "--eye", "left")
    assert (start["age"], start["vertex"]) == (50, 14)
    assert start["manner"] == {
        "balance": False, "near": "on", "duochrome": True, "eyes": ["left"], "instrument": {"cylinders": "plus"},
    }  # fmt: skip


def test_without_settings_and_options_the_log_says_nothing_of_a_manner(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert exam_start(monkeypatch, tmp_path / "a") == {}


def test_every_option_reaches_the_exam(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    given = tmp_path / "start.json"
    given.write_text('{"right": {"sphere": -1}, "left": {"sphere": -1}}')
    options = "--road recheck --near on --balance on --duochrome on --intake on --power-by cross --cylinders plus"
    start = exam_start(monkeypatch, tmp_path / "a", "--start", str(given), *options.split(), "--vertex", "12.5")
    assert start["vertex"] == 12.5
    assert start["manner"] == {
        "road": "recheck", "near": "on", "balance": True, "duochrome": True, "intake": True, "power_by": "cross",
        "instrument": {"cylinders": "plus"},
    }  # fmt: skip


def test_a_road_without_its_lens_says_how_to_give_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    assert main(["exam", "--listen", "text", "--out", str(tmp_path / "a"), "--road", "refine"]) == 1
    error = capsys.readouterr().err
    assert "give one with --start FILE" in error and error.count("\n") == 1
    assert not (tmp_path / "a").exists()


def test_start_dicts_merge_key_by_key() -> None:
    low = {"age": 30, "manner": {"near": "on", "instrument": {"cylinders": "plus", "sphere_low": -19.0}}}
    high = {"manner": {"instrument": {"cylinders": "minus"}}}
    assert merged(low, high) == {
        "age": 30, "manner": {"near": "on", "instrument": {"cylinders": "minus", "sphere_low": -19.0}},
    }  # fmt: skip
    assert low["manner"]["instrument"]["cylinders"] == "plus"  # nothing given is changed

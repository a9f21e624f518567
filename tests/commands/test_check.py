"""What `check` says of an installation that works, and of each fault: with its fix, and exit code 1 where it counts."""

from __future__ import annotations

import hashlib
import json
import re
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from assistant.cli import main
from assistant.commands import check
from assistant.errors import UserError
from assistant.grammar import Grammar
from assistant.hearing.recogniser import Samples
from assistant.protocol.meanings import Heard, Meaning, Outcome

Findings = Callable[..., tuple[int, dict[str, dict[str, Any]]]]
ORDER = ["program", "grammars", "engine", "self-test", "voice", "loudspeaker", "microphone"]


@pytest.fixture
def findings(capsys: pytest.CaptureFixture[str]) -> Findings:
    """Runs `check --json`: its exit code, and what it says by what was looked at."""

    def run(*options: str) -> tuple[int, dict[str, dict[str, Any]]]:
        code = main(["check", "--json", *options])
        rows = [json.loads(row) for row in capsys.readouterr().out.splitlines()]
        assert [row["what"] for row in rows] == ORDER, "a fault keeps nothing else from being looked at"
        return code, {row["what"]: row for row in rows}

    return run


def test_what_is_installed_works(findings: Findings) -> None:
    pytest.importorskip("ctranslate2", reason="the embedded recogniser is not installed: nothing was checked")
    from assistant.hearing.whisper import packaged_model

    code, found = findings()
    assert code == 0
    assert [what for what in ORDER[:5] if found[what]["works"] is not True] == []
    weights = hashlib.sha256((packaged_model() / "model.bin").read_bytes()).hexdigest()
    assert weights in found["engine"]["says"]
    assert found["self-test"]["says"] == "heard 'one' and 'two' as they were said"
    assert "choice" in found["grammars"]["says"]
    for device in ("loudspeaker", "microphone"):  # a machine without sound still holds exams by text
        assert found[device]["works"] in (True, None)


def test_a_model_that_is_none_fails_engine_and_self_test(findings: Findings, tmp_path: Path) -> None:
    code, found = findings("--model", str(tmp_path))
    assert code == 1
    assert found["engine"]["works"] is found["self-test"]["works"] is False
    assert found["voice"]["works"] is not None
    assert str(tmp_path) in found["engine"]["says"]


def test_another_engine_without_its_model_says_the_fix(findings: Findings) -> None:
    code, found = findings("--engine", "vosk")
    assert code == 1
    assert "Fix: --model FOLDER" in found["engine"]["says"]


class Deaf:
    """A recogniser that takes every "two" for "one"."""

    name, model = "deaf", "model"

    def hear(self, audio: Samples, grammar: Grammar) -> Heard:
        return Heard("one", Outcome.HEARD, Meaning.FIRST)


def test_a_recogniser_that_takes_two_for_one_is_a_fault(findings: Findings, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("assistant.hearing.engines.load", lambda name, model: Deaf())
    code, found = findings("--engine", "deaf")
    assert code == 1
    assert found["engine"]["works"] is True
    assert found["self-test"]["works"] is False
    assert "was not heard as second" in found["self-test"]["says"]


@pytest.mark.parametrize(
    ("look", "what", "code", "works"),
    [
        ("_grammars", "grammars", 1, False),
        ("_voice", "voice", 1, False),
        ("_loudspeakers", "loudspeaker", 0, None),
        ("_microphones", "microphone", 0, None),
    ],
)
def test_a_missing_part_is_told_with_its_fix(
    findings: Findings, monkeypatch: pytest.MonkeyPatch, look: str, what: str, code: int, works: bool | None
) -> None:
    pytest.importorskip("ctranslate2", reason="the embedded recogniser is not installed: nothing was checked")

    def missing() -> str:
        raise UserError("it is not there: put it there")

    monkeypatch.setattr(check, look, missing)
    for other in {"_engine", "_self_test"}:  # looked at above; they take seconds
        monkeypatch.setattr(check, other, lambda engine, model: "there")
    ended, found = findings()
    assert (ended, found[what]["works"], found[what]["says"]) == (code, works, "it is not there: put it there")


def test_the_voice_says_how_long_a_prompt_is_and_how_soon_it_was_ready() -> None:
    told = re.fullmatch(r"speaks \(a prompt (\d+\.\d) s long was ready in (\d+\.\d\d) s\)", check._voice())
    assert told is not None
    # 13 words; read aloud at 100 to 250 words a minute (common practice, no source)
    assert 13 / 250 * 60 < float(told[1]) < 13 / 100 * 60


def test_sound_devices_are_named_once(monkeypatch: pytest.MonkeyPatch) -> None:
    # One device is listed once for each of the system's sound interfaces, under the same name.
    ends = [("Webcam", 1, 0), ("Headset", 1, 2), ("Headset", 1, 2), ("Speakers", 0, 2)]
    devices = [{"name": name, "max_input_channels": i, "max_output_channels": o} for name, i, o in ends]
    monkeypatch.setitem(sys.modules, "sounddevice", SimpleNamespace(query_devices=lambda: devices))
    assert check._microphones() == "Webcam, Headset"
    assert check._loudspeakers() == "Headset, Speakers"


def test_the_plain_list_has_a_line_a_part(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def broken(engine: str | None, model: Path | None) -> str:
        raise UserError("the model is damaged: install the package again")

    monkeypatch.setattr(check, "_engine", broken)
    monkeypatch.setattr(check, "_self_test", lambda engine, model: "heard")
    assert main(["check"]) == 1
    told = capsys.readouterr().out.splitlines()
    assert [line.split()[1] for line in told] == ORDER
    assert told[2] == "FAULT   engine        the model is damaged: install the package again"
    assert told[3].startswith("works   self-test")

"""An exam's recordings heard again: by the packaged recogniser, and by one that hears something else."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import soundfile

from assistant.cli import main
from assistant.data import folder as data_folder
from assistant.grammar import Grammar
from assistant.hearing.recogniser import Samples
from assistant.optics.lens import Lens
from assistant.protocol.effects import Ask, Effect, Recorded
from assistant.protocol.meanings import Heard, Meaning, Outcome
from assistant.protocol.questions import AcuityQuestion, Choice, Eye, Value
from assistant.record.amending import amended_hearing
from assistant.record.events import event
from assistant.record.folder import ExamFolder, log_of

PAIR = Ask(Choice(Eye.RIGHT, "sphere", Lens.of(-1.0), Lens.of(-1.25)), 1)
LINE = Ask(AcuityQuestion(Eye.RIGHT, "acuity", Lens.of(-1.0)), 2)
NEAR_LINE = Ask(Value(Eye.BOTH, "near", "near_acuity"), 3)


def first(accepted: bool = True) -> Heard:
    return Heard("one", Outcome.HEARD if accepted else Outcome.DOUBTFUL, Meaning.FIRST)


def command(meaning: Meaning) -> Heard:
    return Heard(str(meaning), Outcome.HEARD, meaning)


@pytest.fixture(scope="module")
def clips() -> Callable[[str], Path]:
    manifest = json.loads((data_folder("demo_audio") / "manifest.json").read_text("utf-8"))["clips"]

    def clip(words: str) -> Path:
        found = next(held for held in manifest if held["words"] == words and held.get("clear", True))
        return data_folder("demo_audio") / found["file"]

    return clip


@pytest.fixture
def exam(tmp_path: Path, clips: Callable[[str], Path]) -> Callable[..., Path]:
    """Makes an exam folder of questions and of utterances, each with the words of the clip stored for it (or None)."""

    def make(*parts: Ask | tuple[Heard, str | None], start: dict[str, Any] | None = None) -> Path:
        path = tmp_path / "exam"
        with ExamFolder.create(path, header={"start": start or {}}) as folder:
            for part in parts:
                effect: Effect
                recording = None
                if isinstance(part, Ask):
                    effect = part
                else:
                    heard, words = part
                    effect = Recorded(heard, heard.accepted)
                    recording = None if words is None else folder.save_audio(*soundfile.read(clips(words)))
                folder.append(event(effect, None, recording))
            folder.build()
        return path

    return make


class Other:
    """A recogniser under the interface's name that hears what it is told to, and notes what it was listening for."""

    name, model = "other", "model-2"

    def __init__(self, *hears: Heard) -> None:
        self.hears = list(hears)
        self.live: list[str] = []
        self.lengths: list[int] = []

    def hear(self, audio: Samples, grammar: Grammar) -> Heard:
        self.live.append(grammar.name)
        self.lengths.append(len(audio))
        return self.hears.pop(0)


@pytest.fixture
def other(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Other]:
    def put_in(*hears: Heard) -> Other:
        made = Other(*hears)
        monkeypatch.setattr("assistant.hearing.engines.load", lambda name, model: made)
        return made

    return put_in


def test_the_packaged_recogniser_finds_the_wrong_entry(
    exam: Callable[..., Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """The log says "one" of a recording that says "two"; the rest is as it was said."""
    pytest.importorskip("ctranslate2", reason="the embedded recogniser is not installed: nothing was heard")
    line = Heard("20/40", Outcome.HEARD, Meaning.SET_ACUITY, "20/40")
    path = exam(PAIR, (first(), "one"), (first(), "two"), LINE, (line, "twenty forty"))
    before = (path / "exam.jsonl").read_bytes()
    assert main(["rehear", str(path), "--json"]) == 0
    rows = [json.loads(row) for row in capsys.readouterr().out.splitlines()]
    assert [(row["event"], row["now"], row["differs"]) for row in rows] == [
        (1, ["first", None, True], False),
        (2, ["second", None, True], True),
        (4, ["set_acuity", "20/40", True], False),
    ]
    assert (path / "exam.jsonl").read_bytes() == before, "the exam is not changed"


def test_differences_are_listed(
    exam: Callable[..., Path], other: Callable[..., Other], capsys: pytest.CaptureFixture[str]
) -> None:
    path = exam(PAIR, (first(), "one"), (first(), "two"), (first(False), "maybe one"), (first(), None))
    hears = (command(Meaning.FIRST), Heard("same", Outcome.HEARD, Meaning.SAME), Heard("", Outcome.NOT_UNDERSTOOD))
    engine = other(*hears)
    assert main(["rehear", str(path)]) == 0
    told = capsys.readouterr().out.splitlines()
    assert len(told) == 2
    assert told[0].split() == ["2", "first", "now", "same", "“same”", "audio/0002.flac"]
    assert told[1] == "3 utterances heard again by other model-2: 1 differ"
    assert all(length > 8000 for length in engine.lengths)  # half a second at 16 kHz: whole clips


def test_an_answer_once_asked_again_and_one_no_longer_accepted_both_differ(
    exam: Callable[..., Path], other: Callable[..., Other], capsys: pytest.CaptureFixture[str]
) -> None:
    path = exam(PAIR, (first(False), "one"), (first(), "one"))
    other(first(), first(False))
    assert main(["rehear", str(path)]) == 0
    told = capsys.readouterr().out
    assert "asked again              now first" in told
    assert "first                    now asked again" in told
    assert "2 differ" in told


def test_a_number_that_differs_is_a_difference(
    exam: Callable[..., Path], other: Callable[..., Other], capsys: pytest.CaptureFixture[str]
) -> None:
    turned = Heard("sphere minus 1.50", Outcome.HEARD, Meaning.SET_SPHERE, -150)
    path = exam(PAIR, (turned, "one"), (turned, "one"))
    other(turned, Heard("sphere minus 1.25", Outcome.HEARD, Meaning.SET_SPHERE, -125))
    assert main(["rehear", str(path)]) == 0
    told = capsys.readouterr().out
    assert "set_sphere -1.5" in told
    assert "now set_sphere -1.25" in told
    assert "1 differ" in told


def test_each_utterance_is_heard_by_what_was_listened_for_then(
    exam: Callable[..., Path], other: Callable[..., Other]
) -> None:
    pause, resume, near = command(Meaning.PAUSE), command(Meaning.RESUME), command(Meaning.SKIP)
    parts = (
        (first(), "one"), PAIR, (first(), "one"), (pause, "one"), (resume, "one"), (first(), "one"),
        NEAR_LINE, (near, "one"),
    )  # fmt: skip
    engine = other(first(), first(), pause, resume, first(), near)
    assert main(["rehear", str(exam(*parts))]) == 0
    pair = "choice+command+common"
    assert engine.live == ["command+common", pair, pair, "common", pair, "acuity+command+common"]


def test_a_plus_cylinder_head_has_its_own_words(exam: Callable[..., Path], other: Callable[..., Other]) -> None:
    start = {"manner": {"instrument": {"cylinders": "plus"}}}
    engine = other(first())
    assert main(["rehear", str(exam(PAIR, (first(), "one"), start=start))]) == 0
    assert engine.live == ["choice+command+command_plus+common"]


def test_a_correction_is_not_heard_twice(exam: Callable[..., Path], other: Callable[..., Other]) -> None:
    path = exam(PAIR, (first(), "two"))
    with ExamFolder.resume(path) as folder:
        folder.append(amended_hearing(log_of(path), 1, Meaning.SECOND, None, "misheard", ""))
    engine = other(command(Meaning.SECOND))
    assert main(["rehear", str(path)]) == 0
    assert len(engine.live) == 1


def test_a_recording_that_was_changed_or_lost_is_told_and_the_rest_is_heard(
    exam: Callable[..., Path], other: Callable[..., Other], capsys: pytest.CaptureFixture[str]
) -> None:
    path = exam(PAIR, (first(), "one"), (first(), "one"), (first(), "one"))
    (path / "audio" / "0001.flac").unlink()
    (path / "audio" / "0002.flac").write_bytes((path / "audio" / "0003.flac").read_bytes()[:-1])
    engine = other(first())
    assert main(["rehear", str(path)]) == 0
    told = capsys.readouterr()
    assert "Event 1 was not heard again: its recording is missing" in told.err
    assert "Event 2 was not heard again: its recording was changed" in told.err
    assert "1 utterances heard again" in told.out
    assert len(engine.live) == 1


@pytest.mark.parametrize(
    ("parts", "dropped", "why"),
    [
        ((PAIR, (first(), None)), False, "has no recordings: the exam was typed"),
        ((PAIR, (first(), "one")), True, "none of its recordings can be heard (recording dropped)"),
    ],
)
def test_without_recordings_one_line_says_why(
    exam: Callable[..., Path], parts: tuple[Any, ...], dropped: bool, why: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = exam(*parts)
    if dropped:
        assert main(["forget", str(path), "--audio"]) == 0
        capsys.readouterr()
    assert main(["rehear", str(path)]) == 1
    (told,) = capsys.readouterr().err.splitlines()
    assert why in told


@pytest.mark.parametrize(
    ("options", "why"), [(("--engine", "ear"), "no engine 'ear'"), (("--engine", "vosk"), "Vosk needs a model")]
)
def test_an_engine_that_cannot_be_had_is_one_line(
    exam: Callable[..., Path], options: tuple[str, ...], why: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["rehear", str(exam(PAIR, (first(), "one"))), *options]) == 1
    (told,) = capsys.readouterr().err.splitlines()
    assert why in told

"""Virtual patients through the line protocol: each sits an `exam --listen text --events -` of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import IO, Any

from ..errors import UserError
from ..patients.cohort import Cohort, ExamRecord, draw_patient, sit
from ..protocol.effects import Ask, Effect, Flag
from ..protocol.meanings import Heard
from ..protocol.questions import AcuityQuestion, Choice, Confirm, Eye, Legible, Question, Value
from ..protocol.start import Start, StartEye
from ..record.events import lens_from_dict, prescription_from_event


def exams(cohort: Cohort, first: int, last: int) -> Iterator[ExamRecord]:
    """As `patients.cohort.exams`, but through the line protocol: about a second an exam."""
    for number in range(first, last):
        patient, start = draw_patient(cohort, number)
        with LineExam(start) as exam:
            yield sit(patient, exam, number)


class LineExam:
    """An exam in a process of its own, driven by lines; has the verbs of `protocol.exam.Exam`.

    A context manager: the process is ended and its exam folder removed on leaving.
    """

    def __init__(self, start: Start) -> None:
        self.question: Question | None = None
        self._start = start

    def __enter__(self) -> LineExam:
        self._folder = tempfile.TemporaryDirectory(prefix="exam-")
        words = [
            sys.executable,
            "-m",
            "assistant",
            "exam",
            "--listen",
            "text",
            "--speak",
            "off",
            "--events",
            "-",
        ]
        words += ["--pace", self._start.manner.pace]
        words += ["--out", str(Path(self._folder.name) / "exam")]
        if start := start_dict(self._start):
            file = Path(self._folder.name) / "start.json"
            file.write_text(json.dumps(start), encoding="utf-8")
            words += ["--start", str(file)]
        package = str(Path(__file__).parents[2])  # the same code, also from a checkout that is not installed
        paths = os.pathsep.join(filter(None, (package, os.environ.get("PYTHONPATH"))))
        self._process = subprocess.Popen(
            words,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            encoding="utf-8",
            env={**os.environ, "PYTHONPATH": paths, "PYTHONIOENCODING": "utf-8"},
        )
        return self

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        self._process.kill()
        self._process.communicate()
        self._folder.cleanup()

    def begin(self) -> tuple[Effect, ...]:
        return self._until_asked()

    def hear(self, heard: Heard) -> tuple[Effect, ...]:
        self._in.write(line(heard) + "\n")
        self._in.flush()
        return self._until_asked()

    def close(self) -> tuple[Effect, ...]:
        self._in.close()
        return self._until_asked()

    @property
    def _in(self) -> IO[str]:
        assert self._process.stdin is not None
        return self._process.stdin

    def _until_asked(self) -> tuple[Effect, ...]:
        """The effects up to the next question, or to the end of the exam."""
        assert self._process.stdout is not None
        effects: list[Effect] = []
        self.question = None
        for text in self._process.stdout:
            event = json.loads(text)
            if event["kind"] == "flag":
                effects.append(Flag(event["code"], Eye(event["eye"])))
            elif event["kind"] == "prescription":
                effects.append(prescription_from_event(event))
            elif event["kind"] == "question":
                self.question = question_from_event(event)
                effects.append(Ask(self.question, 0))
                return tuple(effects)
        if self._process.wait() != 0:
            raise UserError("an exam of the cohort failed; what it said stands above")
        return tuple(effects)


def line(heard: Heard) -> str:
    """An utterance as a line of the protocol; silence is an empty one."""
    if not heard.text:
        return ""
    said: dict[str, Any] = {"say": heard.text}
    if heard.by is not None:
        said["by"] = heard.by.value
    if heard.after is not None:
        said["after"] = heard.after
    return json.dumps(said)


def question_from_event(event: Mapping[str, Any]) -> Question:
    """The question a `question` event puts."""
    eye, step = Eye(event["eye"]), event["step"]
    form = event["form"]
    if form == "choice":
        first, second = (lens_from_dict(lens) for lens in event["choices"])
        return Choice(eye, step, first, second)
    if form == "legible":
        return Legible(eye, step, lens_from_dict(event["lens"]), event["line"])
    if form == "acuity":
        return AcuityQuestion(eye, step, lens_from_dict(event["lens"]))
    if form == "value":
        return Value(eye, step, event["of"])
    return Confirm(eye, step, event["what"])


def start_dict(start: Start) -> dict[str, Any]:
    """A starting point as the JSON that `exam --start` reads; empty where nothing is known."""

    def eye(given: StartEye) -> dict[str, Any]:
        if given.lens is None:
            return {}
        lens = given.lens
        cylinder = {"cylinder": lens.cylinder / 100, "axis": lens.axis} if lens.cylinder else {}
        return {"sphere": lens.sphere / 100, **cylinder}

    made = {"right": eye(start.right), "left": eye(start.left)}
    return {side: held for side, held in made.items() if held}

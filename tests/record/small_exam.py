"""A clock that moves by itself, and a small invented exam as a folder."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy

from assistant.optics.lens import Lens
from assistant.protocol.effects import (
    Ask,
    Effect,
    EyeResult,
    Flag,
    Prescribe,
    Recorded,
    Say,
    ShowLens,
    Status,
    StepChange,
)
from assistant.protocol.meanings import Heard, Meaning, Outcome, Speaker
from assistant.protocol.questions import Choice, Eye
from assistant.record.events import Words, event
from assistant.record.folder import ExamFolder
from assistant.record.log import Clock

BEGUN = datetime(2030, 1, 2, 9, 30, tzinfo=timezone.utc)


def ticking(start: datetime = BEGUN, seconds: float = 1.25) -> Clock:
    """A clock that gives `start` and moves on by `seconds` each time it is read."""
    moments: Iterator[datetime] = (start + timedelta(seconds=seconds * n) for n in range(10**6))
    return lambda: next(moments)


LENS = Lens.of(-1.25, -0.5, 90)

SMALL_EXAM: tuple[tuple[Effect, Words | None], ...] = (
    (StepChange(Eye.RIGHT, "sphere", Status.BEGUN), None),
    (ShowLens(Eye.RIGHT, LENS), None),
    (Say(Speaker.EXAMINER, "turn"), Words("Right eye: sphere, one click of minus")),
    (
        Ask(Choice(Eye.RIGHT, "sphere", LENS, Lens.of(-1.5, -0.5, 90)), 1),
        Words(expects=("one", "two", "same")),
    ),
    (
        Recorded(
            Heard("um, two I think", Outcome.HEARD, Meaning.SECOND, None, Speaker.PATIENT, 3.5, 1.8, True),
            True,
        ),
        None,
    ),
    (
        Recorded(Heard("sphere minus 1.50", Outcome.DOUBTFUL, Meaning.SET_SPHERE, -150, score=-2.5), False),
        None,
    ),
    (
        Recorded(Heard("note: tired\nafter work", Outcome.HEARD, Meaning.NOTE, "tired\nafter work"), True),
        None,
    ),
    (Flag("one_sided", Eye.RIGHT, {"answers": 7}), Words("Seven answers in a row were two")),
    (StepChange(Eye.RIGHT, "sphere", Status.DONE), None),
    (
        Prescribe(
            right=EyeResult(-150, -50, 90, 200, "20/20", "20/100"),
            left=EyeResult(25, 0, None, 200, "20/25", "20/30"),
            pd=62.0,
            confirmed=True,
        ),
        None,
    ),
)

HEADER = {"version": "0.1.0", "engine": "typed", "start": {"patient": "K-07", "age": 52}}


def tone(seconds: float = 0.3, rate: int = 16000) -> numpy.ndarray:
    """A quiet 220 Hz tone standing in for an utterance."""
    return 0.1 * numpy.sin(2 * numpy.pi * 220 * numpy.arange(int(seconds * rate)) / rate)


def record_small_exam(path: Path, clock: Clock, with_audio: bool = True) -> ExamFolder:
    folder = ExamFolder.create(path, clock, HEADER)
    for effect, words in SMALL_EXAM:
        recording = folder.save_audio(tone(), 16000) if with_audio and isinstance(effect, Recorded) else None
        folder.append(event(effect, words, recording))
    return folder

"""The exam folder: the log, the utterances' recordings, and what is built from the log.

    exam.jsonl         append-only, hash-chained
    audio/0042.flac    the utterance of event 42
    prescription.json  transcript.txt  report.html      built again from the log at any time

Folders are 0700 and files 0600: this is patient data.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..errors import UserError
from .audio import flac
from .events import Event, Recording
from .log import Clock, Log, LogWriter, Problem, read_log, sync_folder, utc_now
from .prescription import prescription_json
from .shape import faults
from .transcript import transcript

LOG = "exam.jsonl"
AUDIO = "audio"
PRESCRIPTION = "prescription.json"
TRANSCRIPT = "transcript.txt"
REPORT = "report.html"


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that a power cut leaves the old one or the new one, never half of one (mode 0600)."""
    try:
        descriptor, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)  # made 0600
    except OSError as error:
        raise UserError(f"{path} cannot be written: {error.strerror}. Give a folder you may write to") from None
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(name).replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            Path(name).unlink()
        raise UserError(f"{path} cannot be written: {error.strerror}. Make room, or give another folder") from None
    sync_folder(path.parent)


def keep_exams_whole(path: Path, option: str) -> None:
    """Raises UserError where a file that `option` names would take the place of a part of an exam."""
    exam = exam_around(path)
    part = exam is not None and path.resolve().relative_to(exam).parts[0] in (AUDIO, PRESCRIPTION, TRANSCRIPT, REPORT)
    if path.name == LOG or part:
        raise UserError(f"{option}: {path} belongs to an exam; give another name or folder")


def exam_around(path: Path) -> Path | None:
    """The exam folder that a file is or would be in; None: it is in none."""
    return next((folder for folder in path.resolve().parents if (folder / LOG).exists()), None)


def log_of(folder: Path) -> Log:
    """The log of an exam folder; raises UserError where there is none, or an event lacks what its kind calls for."""
    log = log_as_it_is(folder)
    for line, what in faults(log.events):
        raise UserError(f"{folder / LOG}: {Problem(line, what)}. Run verify on the folder")
    return log


def log_as_it_is(folder: Path) -> Log:
    """As `log_of`, for a reader who copes with events that lack something."""
    if not (folder / LOG).is_file():
        raise UserError(f"{folder} holds no exam ({LOG} is missing): give the folder of an exam")
    return read_log(folder / LOG)


def build(folder: Path, log: Log | None = None) -> list[Path]:
    """Build prescription.json (once there is a prescription) and transcript.txt from the log alone."""
    log = log or log_of(folder)
    built = [folder / TRANSCRIPT]
    write_whole(folder / TRANSCRIPT, transcript(log).encode("utf-8", "backslashreplace"))
    text = prescription_json(log)
    if text is not None:
        write_whole(folder / PRESCRIPTION, text.encode("utf-8"))
        built.append(folder / PRESCRIPTION)
    return built


class ExamFolder:
    """An exam being recorded. `create` for a new one, `resume` to go on with one; `close` when it ends."""

    def __init__(self, path: Path, writer: LogWriter):
        self.path = path
        self._writer = writer

    @staticmethod
    def create(path: Path, clock: Clock = utc_now, header: Mapping[str, Any] | None = None) -> ExamFolder:
        """Make the folder and an empty log. A folder that is there already may be used unless it holds an
        exam.

        `header` is kept on the first event: start data, settings, engine, model, version - all a replay
        needs. Raises UserError where it holds an exam or cannot be written.
        """
        try:
            if (path / LOG).exists():
                raise UserError(f"{path} already holds an exam: give another folder, or go on with it by resume")
            path.mkdir(mode=0o700, parents=True, exist_ok=True)
            (path / AUDIO).mkdir(mode=0o700, exist_ok=True)
        except FileExistsError:
            raise UserError(f"{path} is not a folder: give another name") from None
        except OSError as error:
            raise UserError(f"{path} cannot be made: {error.strerror}. Give a folder you may write to") from None
        return ExamFolder(path, LogWriter.create(path / LOG, clock, header))

    @staticmethod
    def resume(path: Path, clock: Clock = utc_now, header: Mapping[str, Any] | None = None) -> ExamFolder:
        """Go on with the exam in `path`; `recovered` is its log. `header` counts only where no event was
        written.
        """
        if not (path / LOG).is_file():
            raise UserError(f"{path} holds no exam ({LOG} is missing): give the folder of an exam")
        try:
            (path / AUDIO).mkdir(mode=0o700, exist_ok=True)
        except OSError as error:
            raise UserError(
                f"{path / AUDIO} cannot be made: {error.strerror}. Move away what is there, and give a folder you may "
                "write to"
            ) from None
        return ExamFolder(path, LogWriter.resume(path / LOG, clock, header))

    @property
    def recovered(self) -> Log:
        """The log as it was when this folder was opened (empty for a new exam)."""
        return self._writer.recovered

    @property
    def next_seq(self) -> int:
        return self._writer.next_seq

    @property
    def last_hash(self) -> str:
        return self._writer.last_hash

    def append(self, event: Event) -> Event:
        """Write one event; it is on the disk when this returns. Gives it back complete."""
        return self._writer.append(event)

    def save_audio(self, samples: Any, rate: int) -> Recording:
        """Store the utterance whose `heard` event comes next (mono samples, `rate` in Hz); give it to
        `event`.

        The file is named after the seq that event will get if it is the next one appended.
        """
        content = flac(samples, rate)
        name = f"{AUDIO}/{self.next_seq:04d}.flac"
        write_whole(self.path / name, content)
        return Recording(name, hashlib.sha256(content).hexdigest())

    def build(self) -> list[Path]:
        """Build prescription.json and transcript.txt from the log on the disk."""
        return build(self.path)

    def close(self) -> None:
        self._writer.close()

    def __enter__(self) -> ExamFolder:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

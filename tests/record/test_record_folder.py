"""The exam folder: made once, never overwritten, whole after a crash; what is built is built from the log."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import soundfile
from small_exam import HEADER, record_small_exam, ticking, tone

from assistant.errors import UserError
from assistant.protocol.effects import Recorded
from assistant.protocol.meanings import Heard, Meaning, Outcome
from assistant.record.events import event
from assistant.record.folder import ExamFolder, build, log_of, write_whole
from assistant.record.log import Clock
from assistant.record.verifying import verify_folder


def test_what_is_built_is_built_from_the_log_alone(exam: Path) -> None:
    before = {name: (exam / name).read_bytes() for name in ("prescription.json", "transcript.txt")}
    for name in before:
        (exam / name).unlink()
    for recording in (exam / "audio").iterdir():
        recording.unlink()
    build(exam)
    assert {name: (exam / name).read_bytes() for name in before} == before


def test_the_prescription_file_says_what_the_draft_says(exam: Path) -> None:
    built = json.loads((exam / "prescription.json").read_text())
    assert built["status"] == "draft"
    assert built["right"]["sphere"] == -1.5
    assert built["right"]["cylinder"] == -0.5
    assert built["right"]["axis"] == 90
    assert built["left"]["axis"] is None
    assert built["pd"] == 62
    assert built["patient"] == "K-07"
    assert built["flags"][0]["code"] == "one_sided"
    log = log_of(exam)
    assert built["log"] == {"events": len(log.events), "hash": log.last_hash}
    assert "signed" not in built


def test_the_transcript_tells_who_said_what_and_how_sure(exam: Path) -> None:
    lines = (exam / "transcript.txt").read_text().splitlines()
    assert "  0:05  patient: 'um, two I think' = second (hesitant)" in lines
    assert "  0:06  heard: 'sphere minus 1.50' (doubtful, asked again)" in lines
    assert "  0:11      right: -1.50 -0.50 x 090, add +2.00, 20/20" in lines
    assert not any(line.startswith("after work") for line in lines), "a note must not look like another line"


def test_words_that_are_no_text_are_kept(tmp_path: Path, clock: Clock) -> None:
    """A terminal can hand over bytes that are no UTF-8; Python reads them as lone surrogates."""
    said = b"tw\xff".decode("utf-8", "surrogateescape")
    with ExamFolder.create(tmp_path / "exam", clock) as folder:
        folder.append(event(Recorded(Heard(said, Outcome.NOT_UNDERSTOOD), False)))
        folder.build()
    assert log_of(tmp_path / "exam").events[0]["text"] == said
    assert verify_folder(tmp_path / "exam").problems == []


def test_recordings_are_flac_named_by_event(exam: Path) -> None:
    heard = list(log_of(exam).of_kind("heard"))
    assert [held["audio"] for held in heard] == [f"audio/{held['seq']:04d}.flac" for held in heard]
    info = soundfile.info(str(exam / heard[0]["audio"]))
    assert (info.format, info.subtype, info.samplerate, info.channels) == ("FLAC", "PCM_16", 16000, 1)
    samples, _ = soundfile.read(str(exam / heard[0]["audio"]))
    assert abs(samples - tone()).max() <= 1 / 2**15  # 16 bits


def test_an_exam_is_never_overwritten(exam: Path, clock: Clock) -> None:
    before = (exam / "exam.jsonl").read_bytes()
    with pytest.raises(UserError, match="already holds an exam"):
        ExamFolder.create(exam, clock)
    assert (exam / "exam.jsonl").read_bytes() == before


def test_an_empty_folder_that_is_there_may_be_used(tmp_path: Path, clock: Clock) -> None:
    with record_small_exam(tmp_path, clock) as folder:
        folder.build()
    assert verify_folder(tmp_path).problems == []


def test_a_folder_that_cannot_be_made_is_told_plainly(tmp_path: Path, clock: Clock) -> None:
    (tmp_path / "file").write_text("")
    for path in (tmp_path / "file", tmp_path / "file" / "exam"):
        with pytest.raises(UserError, match=r"Give a folder|give another name"):
            ExamFolder.create(path, clock)


def test_an_unwritable_folder_is_told_plainly(tmp_path: Path, clock: Clock) -> None:
    locked = tmp_path / "locked"
    locked.mkdir(mode=0o500)
    if os.name != "posix":
        pytest.skip("file modes are POSIX")
    with as_nobody(), pytest.raises(UserError, match="Give a folder you may write to"):
        ExamFolder.create(locked / "exam", clock)
    ExamFolder.create(tmp_path / "exam", clock).close()  # and it was for the mode, or the user, alone


@contextmanager
def as_nobody() -> Iterator[None]:
    """Root may write anywhere: for a moment somebody who may not. Any other user stays who they are."""
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)  # nobody, by custom
    try:
        yield
    finally:
        if root:
            os.seteuid(0)


def test_a_disk_that_refuses_is_told_plainly(tmp_path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(UserError, match="Give a folder you may write to"):
        ExamFolder.create(tmp_path / "exam", clock)


def test_writing_a_file_whole_leaves_the_old_one_when_it_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "prescription.json"
    write_whole(path, b"old")

    def refuse(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(UserError, match="No space left"):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_an_interrupted_exam_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "exam"
    with ExamFolder.create(path, ticking(), HEADER) as folder:
        folder.append({"kind": "step", "eye": "right", "step": "sphere", "status": "begun"})
        folder.save_audio(tone(), 16000)  # the power goes before the utterance is logged
    assert [note for note in verify_folder(path).notes if "0001.flac" in note]
    with ExamFolder.resume(path, ticking()) as folder:
        assert len(folder.recovered.events) == 1
        assert folder.recovered.header == HEADER
        recording = folder.save_audio(tone(0.2), 16000)
        assert recording.path == "audio/0001.flac"
        heard = Recorded(Heard("two", Outcome.HEARD, Meaning.SECOND), True)
        assert folder.append(event(heard, None, recording))["seq"] == 1
    assert verify_folder(path).problems == []


def test_a_folder_without_an_exam_is_told_plainly(tmp_path: Path) -> None:
    for what in (log_of, ExamFolder.resume, verify_folder):
        with pytest.raises(UserError, match=r"exam\.jsonl is missing"):
            what(tmp_path)

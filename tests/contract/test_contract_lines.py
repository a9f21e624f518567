"""Odd input and broken output of an exam by typed lines: never a traceback, nothing heard is lost."""

from __future__ import annotations

import io
import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from program import PATIENCE, command, environment, in_one_line, lines, run, talk

from assistant import cli
from assistant.commands import exam as exam_command
from assistant.commands.exam import read_line
from assistant.protocol.meanings import Speaker
from assistant.record.folder import log_of
from assistant.record.log import LogWriter, check_lines

ODD = [
    b"\xff\xfe two",
    b'{"say": "\\ud800 two"}',
    b'{"say": "tw\xc3"}',
    b'{"say": 5}',
    b'{"say": null}',
    b'{"say": ["two"]}',
    b'{"say": {"say": "two"}}',
    b'{"say": "two", "by": 7}',
    b'{"say": "two", "by": ["patient"]}',
    b'{"say": "two", "by": "nobody"}',
    b'{"say": "two", "after": "soon"}',
    b'{"say": "two", "after": NaN}',
    b'{"say": "two", "after": -Infinity}',
    b'{"say": "two", "after": 1' + b"0" * 400 + b"}",
    b'{"say": "two", "after": 1' + b"0" * 5000 + b"}",
    b'{"say": "two", "after": true}',
    b"{}",
    b"[]",
    b"{",
    b'{"say": "two"',
    b'"two"',
    b"null",
    b'{"a":' * 20_000,
    b"two\x00two",
    b"\x1b[2J\x1b]0;title\x07two",
    b"two\x0btwo\x0ctwo\x1c\x85",
    "two\u2028two\u202etwo".encode(),
    b"two " * 20_000,
    b"note " + b"on and on " * 4_000,
    b"\t  \t",
]
BEFORE = b"skip\nskip\n20/40\n"  # age, PD, entering acuity: the next question is a pair


@pytest.fixture(scope="module")
def odd(tmp_path_factory: pytest.TempPathFactory) -> tuple[subprocess.CompletedProcess[bytes], Path]:
    """All odd lines to one exam, then an answer."""
    out = tmp_path_factory.mktemp("odd") / "exam"
    said = BEFORE + b"".join(line + b"\n" for line in ODD) + b"two\n"
    return run(
        "exam", "--listen", "text", "--events", "-", "--out", out, says=said, PYTHONIOENCODING="utf-8:strict"
    ), out


def test_odd_lines_never_stop_the_exam(odd: tuple[subprocess.CompletedProcess[bytes], Path]) -> None:
    done, out = odd
    assert (done.returncode, done.stderr) == (0, b"")
    heard = [event for event in lines(done.stdout) if event["kind"] == "heard"]
    assert len(heard) == 3 + len(ODD) + 1
    assert heard[-1]["text"] == "two"
    assert lines(done.stdout)[-1]["kind"] == "prescription"
    assert check_lines((out / "exam.jsonl").read_bytes()) == []


def test_what_was_said_oddly_stands_in_the_log(odd: tuple[subprocess.CompletedProcess[bytes], Path]) -> None:
    done, out = odd
    logged = [event["text"] for event in log_of(out).of_kind("heard")]
    told = [event["text"] for event in lines(done.stdout) if event["kind"] == "heard"]
    assert logged == told
    assert any("on and on" in text and len(text) > 30_000 for text in logged)
    assert any("two" in text and len(text) > 70_000 for text in logged)
    assert '{"say": 5}' in logged


def test_no_odd_line_is_an_answer_but_those_that_say_one(
    odd: tuple[subprocess.CompletedProcess[bytes], Path],
) -> None:
    done, _ = odd
    heard = [event for event in lines(done.stdout) if event["kind"] == "heard"][3:]
    for line, event in zip([*ODD, b"two"], heard, strict=True):
        if event["meaning"] == "second":
            # Who spoke or how long it took may be told oddly; the word is an answer all the same.
            assert b'"two"' in line or set(re.findall("[a-z]+", event["text"])) == {"two"}, line


@pytest.mark.parametrize("line", [line for line in ODD if len(line) < 10_000], ids=repr)
def test_a_line_is_read_or_taken_as_it_stands(line: bytes) -> None:
    say, by, after = read_line(line.decode("utf-8", "replace"))
    assert isinstance(say, str)
    assert by in (None, Speaker.PATIENT, Speaker.EXAMINER)
    assert after is None or 0 <= after < 10**9


def test_a_line_tells_who_spoke_and_after_how_long() -> None:
    assert read_line('{"say": "two", "by": "patient", "after": 1.8}') == ("two", Speaker.PATIENT, 1.8)
    assert read_line('{"say": "one", "by": "examiner"}') == ("one", Speaker.EXAMINER, None)
    assert read_line("two") == ("two", None, None)
    assert read_line('{"after": 20}') == ("", None, 20.0)


def test_a_terminal_is_never_sent_what_was_typed_as_control(tmp_path: Path) -> None:
    """Escape sequences in what was heard are text, not orders to the terminal."""
    done = run("exam", "--listen", "text", "--out", tmp_path / "exam", says=BEFORE + b"\x1b[2Jtwo\x07\x9b1m\n")
    assert done.returncode == 0
    printed = done.stdout.decode()
    assert "two" in printed
    assert not [mark for mark in printed if mark != "\n" and not mark.isprintable()]


def test_any_terminal_encoding_will_do(tmp_path: Path) -> None:
    said = BEFORE + "note глаз “устал”\ntwo\n".encode()
    for encoding, events in (("ascii", []), ("cp1252", ["--events", "-"])):
        out = tmp_path / f"exam{len(events)}"
        done = run(
            "exam", "--listen", "text", "--out", out, *events, says=said, PYTHONUTF8="0", PYTHONIOENCODING=encoding
        )
        assert (done.returncode, done.stderr) == (0, b"")
        notes = [event["value"] for event in log_of(out).of_kind("heard") if event["meaning"] == "note"]
        assert notes == ["глаз “устал”"]


# ------------------------------------------------------------------------------------------- output that fails
def kept(out: Path) -> None:
    """The log is whole and ends with the draft; what is built from it is there."""
    assert check_lines((out / "exam.jsonl").read_bytes()) == []
    log = log_of(out)
    assert log.events[-1]["kind"] == "prescription"
    assert (out / "prescription.json").is_file()
    assert (out / "transcript.txt").is_file()


def test_a_reader_that_goes_away_loses_nothing(tmp_path: Path) -> None:
    out = tmp_path / "exam"
    with talk("--out", out) as exam:
        exam.until("question")
        assert exam.process.stdout is not None
        exam.process.stdout.close()
        for _ in range(3):
            exam.say("skip")  # the program finds out when it writes
        assert exam.process.stdin is not None
        exam.process.stdin.close()
        assert exam.process.wait(PATIENCE) == 1
        assert exam.process.stderr is not None
        assert exam.process.stderr.read() == b""
    kept(out)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here: a full disk cannot be played")
@pytest.mark.parametrize("events", [["--events", "-"], [], ["--events", "/dev/full"]], ids=["events", "talk", "file"])
def test_a_full_disk_under_the_output_loses_nothing(tmp_path: Path, events: list[str]) -> None:
    out = tmp_path / "exam"
    with Path("/dev/full" if "/dev/full" not in events else os.devnull).open("wb") as full:
        done = subprocess.run(
            command("exam", "--listen", "text", "--out", out, *events),
            input=BEFORE + b"two\ntwo\n",
            stdout=full,
            stderr=subprocess.PIPE,
            env=environment(),
            timeout=PATIENCE,
            check=False,
        )
    assert done.returncode == 1
    told = in_one_line(done.stderr)
    assert "No space left" in told
    kept(out)
    if "/dev/full" in events:  # the conversation was on the screen all the same
        assert [event["text"] for event in log_of(out).of_kind("heard")][-1] == "two"


# ------------------------------------------------------------------------------------------------ interruptions
@pytest.mark.parametrize("number", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_ctrl_c_keeps_what_was_done_and_so_do_other_requests_to_end(number: str, tmp_path: Path) -> None:
    if not hasattr(signal, number):
        pytest.skip(f"this system has no {number}")
    out = tmp_path / "exam"
    with talk("--out", out) as exam:
        for line in ("52", "62", "20/60"):
            exam.until("question")
            exam.say(line)
        exam.until("question")
        exam.process.send_signal(getattr(signal, number))
        while exam.until() is not None:
            pass
        assert exam.process.wait(PATIENCE) == 1
        assert exam.process.stderr is not None
        assert "stopped; what was done is kept" in in_one_line(exam.process.stderr.read())
    kept(out)
    draft = json.loads((out / "prescription.json").read_text())
    assert draft["status"] == "draft"
    assert draft["pd"] == 62
    assert draft["confirmed"] is False
    assert exam.events[-1]["kind"] == "prescription"


def test_an_exam_in_the_background_where_ctrl_c_is_not_for_it_ends_when_it_is_asked_to(tmp_path: Path) -> None:
    if not hasattr(signal, "SIGHUP"):
        pytest.skip("this system has no jobs in the background")
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)  # what a shell has its jobs begin with
    try:
        with talk("--out", tmp_path / "exam") as exam:
            exam.until("question")
            exam.process.send_signal(signal.SIGTERM)
            while exam.until() is not None:
                pass
            assert exam.process.wait(PATIENCE) == 1
    finally:
        signal.signal(signal.SIGINT, before)
    kept(tmp_path / "exam")
    assert json.loads((tmp_path / "exam" / "prescription.json").read_text())["status"] == "draft"


def test_ctrl_c_in_the_middle_of_a_write_leaves_a_whole_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The signal comes while the disk is waited for; what follows is chained to what was kept."""
    with LogWriter.create(tmp_path / "exam.jsonl") as log:
        log.append({"kind": "step"})
        with monkeypatch.context() as patched:

            def interrupted(_: int) -> None:
                raise KeyboardInterrupt

            patched.setattr(os, "fsync", interrupted)
            with pytest.raises(KeyboardInterrupt):
                log.append({"kind": "step"})
        log.append({"kind": "prescription"})
    raw = (tmp_path / "exam.jsonl").read_bytes()
    assert check_lines(raw) == []
    assert raw.count(b"\n") == 2


def test_ctrl_c_waits_for_the_utterance_that_is_being_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between the answer and the question that follows nothing is cut: both are in the log, then the draft."""
    out, real = tmp_path / "exam", LogWriter.append

    def append(self: LogWriter, event: dict[str, object]) -> dict[str, object]:
        if event["kind"] == "heard":
            os.kill(os.getpid(), signal.SIGINT)
        return real(self, event)

    monkeypatch.setattr(LogWriter, "append", append)
    monkeypatch.setattr(sys, "stdin", io.StringIO("52\n62\n"))
    assert cli.main(["exam", "--listen", "text", "--events", str(tmp_path / "events"), "--out", str(out)]) == 1
    log = log_of(out)
    kinds = [event["kind"] for event in log.events]
    assert kinds.count("heard") == 1
    after = kinds[kinds.index("heard") :]
    assert "question" in after  # the next question was put before the exam stopped
    assert after[-1] == "prescription"
    kept(out)


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL on this system")
def test_a_killed_exam_leaves_a_log_that_verifies(tmp_path: Path) -> None:
    out = tmp_path / "exam"
    with talk("--out", out) as exam:
        for line in ("52", "62", "20/60"):
            exam.until("question")
            exam.say(line)
        last = exam.until("question")
        exam.process.kill()
        exam.process.wait(PATIENCE)
    assert last is not None
    assert check_lines((out / "exam.jsonl").read_bytes()) == []
    logged = log_of(out).events
    # All that was told to the reader is on the disk.
    assert {event["seq"]: event["kind"] for event in exam.events}.items() <= {
        event["seq"]: event["kind"] for event in logged
    }.items()


def test_nothing_is_told_before_it_is_on_the_disk(tmp_path: Path) -> None:
    out = tmp_path / "exam"
    with talk("--out", out) as exam:
        for line in ("52", "62", "20/60"):
            event = exam.until("question")
            assert event is not None
            logged = log_of(out).events
            assert logged[event["seq"]]["hash"] == event["hash"]
            exam.say(line)
        assert exam.end() == 0


def test_output_is_given_up_only_where_it_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One watcher that fails does not take the other with it."""
    monkeypatch.setattr(sys, "stdin", io.StringIO("skip\nskip\n"))
    screen = io.StringIO()
    monkeypatch.setattr(sys, "stdout", screen)
    opened = exam_command.json_lines

    def failing(*args: Any) -> object:
        write = opened(*args)

        def watch(event: dict[str, object]) -> None:
            if event["kind"] == "heard":
                raise OSError(28, "No space left on device")
            write(event)

        return watch

    monkeypatch.setattr(exam_command, "json_lines", failing)
    code = cli.main(["exam", "--listen", "text", "--events", str(tmp_path / "events"), "--out", str(tmp_path / "exam")])
    assert code == 1
    kept(tmp_path / "exam")
    assert "prescription: DRAFT" in screen.getvalue()

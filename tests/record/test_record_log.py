"""The log: append-only, chained, whole after a power cut; any changed byte is found and its line named."""

from __future__ import annotations

import hashlib
import json
import os
import stat
import tempfile
from functools import cache
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from small_exam import HEADER, ticking

from assistant.errors import UserError
from assistant.record.log import NO_HASH, Clock, LogWriter, check_lines, parse, read_log, verify

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=6,
)
extra = st.dictionaries(
    st.text().filter(lambda key: key not in ("seq", "at", "prev", "hash", "kind")), json_values, max_size=3
)


@pytest.fixture
def log(exam: Path) -> Path:
    return exam / "exam.jsonl"


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=50)
@given(st.lists(extra, min_size=1, max_size=6))
def test_what_is_appended_is_read_back_and_verifies(
    tmp_path_factory: pytest.TempPathFactory, given_events: list[dict[str, object]]
) -> None:
    path = tmp_path_factory.mktemp("log") / "exam.jsonl"
    with LogWriter.create(path, ticking(), HEADER) as writer:
        written = [writer.append({"kind": "step", **held}) for held in given_events]
    log = read_log(path)
    assert list(log.events) == written
    assert [held["seq"] for held in log.events] == list(range(len(given_events)))
    assert log.header == HEADER
    assert verify(path) == []
    for held, given_event in zip(log.events, given_events, strict=True):
        assert given_event.items() <= held.items()


def test_the_chain_can_be_checked_with_nothing_but_sha256(log: Path) -> None:
    """The rule of the module's docstring, done by hand: no code of the log is used."""
    before = "0" * 64
    for line in log.read_text("ascii").splitlines():
        body, _, digest = line.removesuffix('"}').rpartition(',"hash":"')
        assert hashlib.sha256((body + "}").encode()).hexdigest() == digest
        assert json.loads(line)["prev"] == before
        before = digest


def test_any_one_byte_changed_names_its_line(log: Path) -> None:
    """Every byte of the log in turn, replaced by another; the line that held it must be named."""
    raw = log.read_bytes()
    line_of = [1 + raw.count(b"\n", 0, place) for place in range(len(raw))]
    for place, byte in enumerate(raw):
        for other in {byte ^ 1, byte ^ 0x20, 0x0A, 0x20} - {byte}:
            changed = raw[:place] + bytes([other]) + raw[place + 1 :]
            named = [problem.line for problem in check_lines(changed)]
            # a line end struck out joins two lines: either may be named
            allowed = {line_of[place], line_of[place] + 1} if byte == 0x0A else {line_of[place]}
            assert allowed & set(named), f"byte {place} -> {other}"


@settings(max_examples=200)
@given(st.data())
def test_any_one_byte_struck_out_or_put_in_is_found(data: st.DataObject) -> None:
    raw = _five_lines()
    place = data.draw(st.integers(0, len(raw) - 1))
    assert check_lines(raw[:place] + raw[place + 1 :])
    put_in = data.draw(st.binary(min_size=1, max_size=3))
    assert check_lines(raw[:place] + put_in + raw[place:])


@cache
def _five_lines() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "exam.jsonl"
        with LogWriter.create(path, ticking(), HEADER) as writer:
            for number in range(5):
                writer.append({"kind": "prompt", "to": "patient", "say": f"line {number}"})
        return path.read_bytes()


def test_a_missing_line_is_named(log: Path) -> None:
    lines = log.read_bytes().splitlines(keepends=True)
    for gone in range(len(lines) - 1):
        problems = check_lines(b"".join(lines[:gone] + lines[gone + 1 :]))
        assert [problem.line for problem in problems] == [gone + 1]
        assert "1 event is missing before it" in str(problems[0])


def test_two_lines_swapped_are_named(log: Path) -> None:
    lines = log.read_bytes().splitlines(keepends=True)
    lines[2], lines[3] = lines[3], lines[2]
    named = {problem.line for problem in check_lines(b"".join(lines))}
    assert named >= {3, 4}


def test_a_line_rewritten_with_its_own_fitting_hash_is_found_at_the_link(log: Path) -> None:
    lines = log.read_bytes().splitlines(keepends=True)
    held = json.loads(lines[4])
    del held["hash"]
    held["meaning"] = "first"  # one for two: the worst fault
    body = json.dumps(held, separators=(",", ":"))
    digest = hashlib.sha256(body.encode()).hexdigest()
    lines[4] = (body[:-1] + f',"hash":"{digest}"}}\n').encode()
    problems = check_lines(b"".join(lines))
    assert [problem.line for problem in problems] == [6]
    assert "one of the two was replaced" in str(problems[0])


def test_the_log_is_the_patients_only(log: Path) -> None:
    if os.name != "posix":
        pytest.skip("file modes are POSIX")
    assert stat.S_IMODE(log.stat().st_mode) == 0o600
    assert stat.S_IMODE(log.parent.stat().st_mode) == 0o700
    assert stat.S_IMODE((log.parent / "audio").stat().st_mode) == 0o700
    for held in log.parent.rglob("*.*"):
        assert stat.S_IMODE(held.stat().st_mode) == 0o600, held


@pytest.mark.parametrize("torn", [b'{"seq":5,"at":"20', b"\0\0\0\0", b"{}", b'{"kind":"prompt","seq":5}'])
def test_a_torn_last_line_is_set_aside_and_the_exam_goes_on(tmp_path: Path, torn: bytes) -> None:
    path = tmp_path / "exam.jsonl"
    path.write_bytes(_five_lines() + torn)
    log = read_log(path)
    assert len(log.events) == 5
    assert log.torn == torn
    assert [problem.line for problem in verify(path)] == [6]

    with LogWriter.resume(path, ticking()) as writer:
        assert writer.recovered == log
        assert writer.append({"kind": "step"})["seq"] == 5
    assert verify(path) == []
    assert (tmp_path / "exam.jsonl.torn").read_bytes() == torn + b"\n"


def test_power_cut_at_any_byte_loses_no_finished_event(tmp_path: Path) -> None:
    raw = _five_lines()
    path = tmp_path / "exam.jsonl"
    for length in range(len(raw) + 1):
        cut = raw[:length]
        log = parse(cut, path)
        finished = cut.count(b"\n")
        assert len(log.events) in (finished, finished + 1)  # + 1: only the line end was lost
        assert [held["seq"] for held in log.events] == list(range(len(log.events)))
        near_line_end = {raw[length - 2 : length + 2].count(b"\n")} != {0}
        if length % 29 and not near_line_end:
            continue  # going on is tried at every line end, and now and then between
        path.write_bytes(cut)
        with LogWriter.resume(path, ticking()) as writer:
            writer.append({"kind": "step"})
        assert verify(path) == []
        assert len(read_log(path).events) == len(log.events) + 1


def test_a_changed_log_is_not_gone_on_with(tmp_path: Path) -> None:
    path = tmp_path / "exam.jsonl"
    changed = _five_lines().replace(b"line 2", b"line 7")
    path.write_bytes(changed)
    with pytest.raises(UserError, match=r"line 3 .* was changed"):
        LogWriter.resume(path)
    assert path.read_bytes() == changed


def test_two_writers_cannot_hold_one_log(tmp_path: Path) -> None:
    pytest.importorskip("fcntl", reason="this system has no file locks")
    path = tmp_path / "exam.jsonl"
    with LogWriter.create(path) as writer:
        writer.append({"kind": "step"})
        with pytest.raises(UserError, match="in use"):
            LogWriter.resume(path)


def test_an_exam_is_never_overwritten(log: Path, clock: Clock) -> None:
    before = log.read_bytes()
    with pytest.raises(UserError, match="already holds an exam"):
        LogWriter.create(log, clock)
    assert log.read_bytes() == before


def test_a_full_disk_leaves_the_log_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "exam.jsonl"
    with LogWriter.create(path, ticking()) as writer:
        writer.append({"kind": "step"})
        real = os.write
        monkeypatch.setattr(os, "write", lambda fd, line: real(fd, line[: len(line) // 2]))
        with pytest.raises(UserError, match="the disk is full"):
            writer.append({"kind": "step"})
        monkeypatch.undo()
        assert writer.append({"kind": "flag"})["seq"] == 1
    assert verify(path) == []


def test_an_event_that_is_no_json_is_refused_and_the_log_stays_whole(tmp_path: Path) -> None:
    path = tmp_path / "exam.jsonl"
    with LogWriter.create(path, ticking()) as writer:
        for broken in ({"kind": "step", "x": object()}, {"kind": "step", "x": float("nan")}):
            with pytest.raises((TypeError, ValueError)):
                writer.append(broken)
        for reserved in ("seq", "at", "prev", "hash"):
            with pytest.raises(ValueError, match=reserved):
                writer.append({"kind": "step", reserved: 1})
        with pytest.raises(ValueError, match="kind"):
            writer.append({})
        assert writer.append({"kind": "step"})["seq"] == 0
    assert verify(path) == []


def test_missing_and_foreign_files_are_told_plainly(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="does not exist"):
        read_log(tmp_path / "exam.jsonl")
    with pytest.raises(UserError, match="does not exist"):
        verify(tmp_path / "exam.jsonl")
    foreign = tmp_path / "foreign.jsonl"
    foreign.write_bytes(b"\xff\xfe\n[1]\n")
    with pytest.raises(UserError, match="line 1 is not an event"):
        read_log(foreign)
    assert [problem.line for problem in verify(foreign)] == [1, 2]


def test_an_empty_log_is_an_exam_not_begun(tmp_path: Path) -> None:
    path = tmp_path / "exam.jsonl"
    path.write_bytes(b"")
    log = read_log(path)
    assert (log.events, log.torn, log.last_hash, dict(log.header)) == ((), b"", NO_HASH, {})
    assert verify(path) == []
    with LogWriter.resume(path, ticking(), HEADER) as writer:
        writer.append({"kind": "step"})
    assert read_log(path).header == HEADER

"""The exam's log: append-only JSON Lines, one write and one fsync an event, each line chained to the one
before.

A line is one event as compact ASCII JSON:

    {"seq":0,"at":"2030-01-02T09:30:00.125Z","kind":...,"prev":"<64 hex>","hash":"<64 hex>"}

`hash` is the SHA-256 of the line's own bytes without the hash member (all before `,"hash":` and a closing
brace), `prev` is the hash of the line before (64 zeros for the first). A changed byte anywhere in a line
therefore breaks that line, and a missing or moved line breaks the link to its neighbour. What a chain
cannot show by itself is a tail cut off cleanly, or a log rewritten as a whole: `prescription.json` and
every signature keep the number of events and the last hash, and a key signature holds against rewriting.

The first event also carries `header`: what a replay needs (start data, settings, engine, version).
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

from ..errors import UserError
from .events import Event, plain

NO_HASH = "0" * 64  # `prev` of the first line
_HASH_MEMBER = len(',"hash":"') + 64 + len('"}')
WRITERS = ("seq", "at", "prev", "hash", "header")
"""Members of an event that are the log writer's to set."""
_O_BINARY = getattr(os, "O_BINARY", 0)  # Windows would otherwise write two bytes for a line end

Clock = Callable[[], datetime]


def utc_now() -> datetime:
    """The clock of a live exam."""
    return datetime.now(timezone.utc)


def stamp(moment: datetime) -> str:
    """UTC as ISO 8601 with milliseconds: 2030-01-02T09:30:00.125Z."""
    text = moment.astimezone(timezone.utc).isoformat(timespec="milliseconds")
    return text.replace("+00:00", "Z")


def moment(written: Event) -> datetime:
    """When an event was written (aware, UTC)."""
    return datetime.fromisoformat(written["at"].replace("Z", "+00:00"))


@dataclass(frozen=True)
class Problem:
    """What is wrong with a record. `line` counts from 1; None where no line of the log is at fault."""

    line: int | None
    what: str

    def __str__(self) -> str:
        return self.what if self.line is None else f"line {self.line} (event {self.line - 1}): {self.what}"


@dataclass(frozen=True)
class Log:
    """A log as read: its events, and the bytes of a last line that a power cut left unfinished (mostly
    none).
    """

    events: tuple[Event, ...]
    torn: bytes = b""

    @property
    def header(self) -> Mapping[str, Any]:
        """Start data, settings, engine, version: what a replay needs. Empty where the exam had not begun."""
        header: Mapping[str, Any] = self.events[0].get("header", {}) if self.events else {}
        return header

    @property
    def last_hash(self) -> str:
        last: str = self.events[-1]["hash"] if self.events else NO_HASH
        return last

    def of_kind(self, *kinds: str) -> Iterator[Event]:
        return (held for held in self.events if held["kind"] in kinds)


def dump(value: object) -> str:
    """Compact ASCII JSON: no terminal, locale or text normaliser can change how it looks or hashes."""
    return json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))


def sealed(content: Event) -> tuple[Event, bytes]:
    """An event with its hash, and its line. `content` holds everything but `hash`, `prev` included, in
    order.
    """
    body = dump(content).encode("ascii")
    digest = hashlib.sha256(body).hexdigest()
    return {**content, "hash": digest}, body[:-1] + b',"hash":"' + digest.encode("ascii") + b'"}\n'


class LogWriter:
    """Appends events to one log. Use `create` for a new exam, `resume` to go on with one.

    The file is held locked while open where the system has locks, so that two programs cannot both append.
    """

    def __init__(self, descriptor: int, path: Path, clock: Clock, log: Log, header: Mapping[str, Any] | None):
        self._descriptor: int | None = descriptor
        self._path = path
        self._clock = clock
        self._end = len(log.events), log.last_hash  # one value, so that it never changes by halves
        self._header = header
        self.recovered = log

    @staticmethod
    def create(path: Path, clock: Clock = utc_now, header: Mapping[str, Any] | None = None) -> LogWriter:
        """A new log (mode 0600: it is patient data). Raises UserError where one exists or it cannot be
        written.
        """
        try:
            descriptor = os.open(path, os.O_CREAT | os.O_EXCL | os.O_APPEND | os.O_WRONLY | _O_BINARY, 0o600)
        except FileExistsError:
            raise UserError(f"{path} already holds an exam: give another folder, or go on with it by resume") from None
        except OSError as error:
            raise UserError(_cannot_write(path, error)) from None
        _lock(descriptor, path)
        sync_folder(path.parent)
        return LogWriter(descriptor, path, clock, Log(()), header)

    @staticmethod
    def resume(path: Path, clock: Clock = utc_now, header: Mapping[str, Any] | None = None) -> LogWriter:
        """Go on with a log. A torn last line is kept beside it as `<name>.torn` and cut off.

        `recovered` is the log as found. Raises UserError where it cannot be written or a line does not
        verify: nothing is appended to a log that has been changed.
        """
        try:
            descriptor = os.open(path, os.O_APPEND | os.O_RDWR | _O_BINARY)
        except FileNotFoundError:
            raise UserError(f"{path} does not exist: give the folder of an exam") from None
        except OSError as error:
            raise UserError(_cannot_write(path, error)) from None
        try:
            _lock(descriptor, path)
            raw = path.read_bytes()
            problems = [problem for problem in check_lines(raw) if not problem.torn]
            if problems:
                raise UserError(f"{path}: {problems[0]}; nothing was added. Run verify on the folder")
            log = parse(raw, path)
            if log.torn:
                beside = path.with_name(path.name + ".torn")
                with open(beside, "ab", opener=lambda name, flags: os.open(name, flags, 0o600)) as kept:
                    kept.write(log.torn + b"\n")
                os.ftruncate(descriptor, len(raw) - len(log.torn))
            elif raw and not raw.endswith(b"\n"):  # only the line end was lost
                os.write(descriptor, b"\n")
            os.fsync(descriptor)
        except BaseException:
            os.close(descriptor)
            raise
        return LogWriter(descriptor, path, clock, log, None if log.events else header)

    @property
    def next_seq(self) -> int:
        """The `seq` the next event will get."""
        return self._end[0]

    @property
    def last_hash(self) -> str:
        return self._end[1]

    def append(self, event: Event) -> Event:
        """Write one event, on the disk when this returns; gives it back with `seq`, `at`, `prev` and `hash`.

        Raises UserError when the disk refuses (the log stays whole, the event is not in it), ValueError
        when the event itself is no JSON or sets a key that is the writer's.
        """
        if self._descriptor is None:
            raise ValueError("the log is closed")
        for key in WRITERS:
            if key in event:
                raise ValueError(f"{key}: is the log writer's to set")
        if "kind" not in event:
            raise ValueError("kind: an event has one")
        end = self._end
        content: Event = {"seq": end[0], "at": stamp(self._clock())}
        content |= event
        if end[0] == 0 and self._header is not None:
            content["header"] = plain(self._header)
        content["prev"] = end[1]
        written, line = sealed(content)
        size = os.fstat(self._descriptor).st_size
        try:
            count = os.write(self._descriptor, line)
            if count != len(line):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            os.fsync(self._descriptor)
            self._end = end[0] + 1, written["hash"]
        except BaseException as error:  # Ctrl-C too
            if self._end is end:
                os.ftruncate(self._descriptor, size)  # never leave half a line, or one that is not counted
            if isinstance(error, OSError):
                raise UserError(_cannot_write(self._path, error)) from None
            raise
        return written

    def close(self) -> None:
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None

    def __enter__(self) -> LogWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def read_log(path: Path) -> Log:
    """The log at `path`; a last line torn by a power cut is set aside in `torn`.

    Raises UserError where the file cannot be read or a line before the last is no event. Hashes are not
    checked here: that is `verify`.
    """
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise UserError(f"{path} does not exist: give the folder of an exam") from None
    except OSError as error:
        raise UserError(f"{path} cannot be read: {error.strerror}") from None
    return parse(raw, path)


def parse(raw: bytes, path: Path) -> Log:
    """As `read_log`, on bytes already read; `path` is for messages."""
    whole, end, tail = raw.rpartition(b"\n")
    events = []
    for number, line in enumerate(whole.split(b"\n") if end else [], start=1):
        held = _event_of(line)
        if held is None:
            raise UserError(f"{path}: line {number} is not an event of an exam. Run verify on the folder")
        events.append(held)
    if not tail:
        return Log(tuple(events))
    held = _event_of(tail)
    if held is not None and _own_hash_holds(tail, held):  # whole but for its line end
        return Log((*events, held))
    return Log(tuple(events), tail)


@dataclass(frozen=True)
class _LineProblem(Problem):
    torn: bool = False


def check_lines(raw: bytes) -> list[_LineProblem]:
    """Every fault of a log's bytes, naming lines: changed, missing, moved, torn."""
    problems: list[_LineProblem] = []

    def found(line: int, what: str, torn: bool = False) -> None:
        problems.append(_LineProblem(line, what, torn))

    whole, end, tail = raw.rpartition(b"\n")
    lines = whole.split(b"\n") if end else []
    expected_seq, may_follow, before_is_sound = 0, {NO_HASH}, True
    for number, line in enumerate(lines, start=1):
        held = _event_of(line)
        if held is None:
            found(number, "is not an event any more: it was changed or damaged")
            expected_seq, may_follow, before_is_sound = expected_seq + 1, set(), False
            continue
        sound = _own_hash_holds(line, held)
        if not sound:
            found(number, "was changed: its hash does not fit its content")
        seq = held.get("seq")
        if sound and seq != expected_seq:
            missing = seq - expected_seq if isinstance(seq, int) else 0
            if missing > 0:
                found(number, f"{missing} event{'s are' if missing > 1 else ' is'} missing before it")
            else:
                found(number, f"is out of order: it says event {seq} where {expected_seq} is due")
        elif sound and before_is_sound and held["prev"] not in may_follow:
            found(
                number,
                "does not follow from the line before it: one of the two was replaced"
                if number > 1
                else "is not the first line the log began with",
            )
        expected_seq = (seq if sound and isinstance(seq, int) else expected_seq) + 1
        may_follow, before_is_sound = {str(held.get("hash"))}, sound
    if tail:
        number = len(lines) + 1
        held = _event_of(tail)
        if held is not None and _own_hash_holds(tail, held):
            found(number, "lacks its line end; resume mends it", torn=True)
        else:
            found(
                number,
                "is unfinished: writing was cut off here, or it was changed; resume sets it aside",
                torn=True,
            )
    return problems


def verify(path: Path) -> list[Problem]:
    """Every fault of the log at `path`, naming line numbers; empty where it holds. Raises UserError when
    unreadable.
    """
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise UserError(f"{path} does not exist: give the folder of an exam") from None
    except OSError as error:
        raise UserError(f"{path} cannot be read: {error.strerror}") from None
    return list(check_lines(raw))


def _event_of(line: bytes) -> Event | None:
    try:
        held = json.loads(line.decode("ascii"))
    except (ValueError, RecursionError):
        return None
    if not isinstance(held, dict) or not isinstance(held.get("kind"), str) or type(held.get("seq")) is not int:
        return None
    return held if isinstance(held.get("header", {}), dict) else None


def _own_hash_holds(line: bytes, held: Event) -> bool:
    body, member = line[:-_HASH_MEMBER] + b"}", line[-_HASH_MEMBER:]
    digest = hashlib.sha256(body).hexdigest()
    return (
        member == b',"hash":"' + digest.encode("ascii") + b'"}'
        and held.get("hash") == digest
        and isinstance(held.get("prev"), str)
    )


def _cannot_write(path: Path, error: OSError) -> str:
    if error.errno == errno.ENOSPC:
        return f"{path} cannot be written: the disk is full. Make room, then go on by resume"
    return f"{path} cannot be written: {error.strerror}. Give a folder you may write to"


def sync_folder(folder: Path) -> None:
    """Make a new name in a folder survive a power cut, where the system lets a folder be synced."""
    try:
        descriptor = os.open(folder, os.O_RDONLY)
    except OSError:
        return  # Windows opens no folders; its file system keeps names by itself
    try:
        os.fsync(descriptor)
    except OSError:
        pass
    finally:
        os.close(descriptor)


def _lock(descriptor: int, path: Path) -> None:
    try:
        import fcntl
    except ImportError:
        return
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise UserError(f"{path} is in use by another program: wait for it, or end it first") from None
    except OSError:
        return  # a file system without locks

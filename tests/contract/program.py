"""The program as other programs meet it: a process, its streams, its exit code."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
PATIENCE = 120  # seconds after which a hanging process is ended, so that a fault cannot hang the tests

Event = dict[str, Any]


def environment(**more: str) -> dict[str, str]:
    """The test's own environment, with the project importable from any working folder."""
    return {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUTF8": "1", **more}


def command(*words: str | Path) -> list[str]:
    # Warnings are errors here as in the other tests, the program's own at least.
    return [sys.executable, "-W", "error:::assistant", "-m", "assistant", *map(str, words)]


def run(
    *words: str | Path, says: bytes | str = b"", cwd: Path | None = None, **env: str
) -> subprocess.CompletedProcess[bytes]:
    """Run the program to its end, `says` as its standard input."""
    given = says.encode() if isinstance(says, str) else says
    return subprocess.run(
        command(*words),
        input=given,
        capture_output=True,
        timeout=PATIENCE,
        env=environment(**env),
        cwd=cwd,
        check=False,
    )


def lines(output: bytes) -> list[Event]:
    """Standard output as JSON Lines: every line an object, nothing else."""
    assert output == b"" or output.endswith(b"\n")
    events = [json.loads(line) for line in output.decode().splitlines()]
    assert all(isinstance(event, dict) for event in events)
    return events


def in_one_line(error: bytes) -> str:
    """The only line on standard error; no traceback."""
    text = error.decode()
    assert "Traceback" not in text
    told = text.splitlines()
    assert len(told) == 1, text
    assert told[0].startswith("handsfree-refraction: ")
    return told[0]


class Talk:
    """A running exam, one utterance at a time: nothing is said before the question was asked."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stdin is not None
        assert process.stdout is not None
        self.process = process
        self.events: list[Event] = []
        self._in, self._out = process.stdin, process.stdout

    def say(self, line: str) -> None:
        self._in.write(line.encode() + b"\n")
        self._in.flush()

    def until(self, *kinds: str) -> Event | None:
        """Read events up to the next of these kinds; None at the end of the output."""
        for raw in self._out:
            event = json.loads(raw)
            self.events.append(event)
            if event["kind"] in kinds:
                return event
        return None

    def hold(self, answer: Callable[[Event], str | Sequence[str]]) -> None:
        """Answer question after question in lock-step until the exam is over."""
        while (event := self.until("question", "prescription")) is not None:
            if event["kind"] == "prescription":
                continue
            said = answer(event)
            for line in [said] if isinstance(said, str) else said:
                self.say(line)

    def end(self) -> int:
        """End the input and read the rest; the exit code."""
        self._in.close()
        while self.until() is not None:
            pass
        return self.process.wait(PATIENCE)


@contextmanager
def talk(*words: str | Path, **env: str) -> Iterator[Talk]:
    """An exam by typed lines, its events read as they come."""
    process = subprocess.Popen(
        command("exam", "--listen", "text", "--events", "-", *words),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment(**env),
    )
    try:
        yield Talk(process)
    finally:
        if process.poll() is None:
            process.kill()
        process.wait(PATIENCE)
        for stream in (process.stdin, process.stdout, process.stderr):
            assert stream is not None
            stream.close()

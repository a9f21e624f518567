"""Typed lines, from a terminal that may go or from whoever else sends them."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Iterator

import pytest

from assistant.commands.exam import Keyboard

pty = pytest.importorskip("pty", reason="no pseudo-terminals on this system")
END_OF_INPUT = b"\x04"  # Ctrl-D; POSIX, General Terminal Interface: VEOF


class Terminal:
    def __init__(self) -> None:
        self.hand, self.program = pty.openpty()
        self.running = set(threading.enumerate())

    def typed(self, keyboard: Keyboard) -> list[str]:
        """All lines, once nothing more is read."""
        for reader in set(threading.enumerate()) - self.running:
            reader.join(10)
            assert not reader.is_alive()
        return list(iter(keyboard, None))


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    held = Terminal()
    yield held
    os.close(held.program)


@pytest.fixture(autouse=True)
def no_traceback(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    raised: list[object] = []
    monkeypatch.setattr(threading, "excepthook", raised.append)
    yield
    assert raised == []


def test_a_terminal_that_goes_ends_the_typing_quietly(terminal: Terminal) -> None:
    keyboard = Keyboard(terminal.program)
    os.write(terminal.hand, b"two\n")
    while (line := keyboard()) is None:
        pass
    os.write(terminal.hand, b"set sphere minus one")  # and the line is not ended
    os.close(terminal.hand)
    assert (line, terminal.typed(keyboard)) == ("two", [])


def test_a_last_line_without_its_end_is_a_line(terminal: Terminal) -> None:
    os.write(terminal.hand, b"one\ntwo" + 2 * END_OF_INPUT)
    keyboard = Keyboard(terminal.program)
    assert terminal.typed(keyboard) == ["one", "two"]
    os.close(terminal.hand)


def test_lines_are_waited_for_to_the_end_and_may_be_long() -> None:
    source, hand = os.pipe()
    keyboard = Keyboard(source)
    long = "x" * 3_000_000
    writer = threading.Thread(target=lambda: (os.write(hand, b"one\n"), _all(hand, long.encode()), os.close(hand)))
    writer.start()
    assert list(keyboard.lines()) == ["one", long]
    writer.join()
    os.close(source)


def test_ctrl_c_is_heeded_while_a_line_is_waited_for() -> None:
    source, hand = os.pipe()
    lines = Keyboard(source).lines()
    threading.Timer(0.3, os.kill, (os.getpid(), signal.SIGINT)).start()
    with pytest.raises(KeyboardInterrupt):
        next(lines)
    os.close(hand)


def _all(hand: int, content: bytes) -> None:
    while content:
        content = content[os.write(hand, content) :]

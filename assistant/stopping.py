"""Ctrl-C at the right moment: an utterance that is being taken is taken whole.

Cut between an answer and the lens, the question and the lines of the log that follow from it, an exam would stop at a
place where it never stood.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_REQUESTS = tuple(getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name))


def _interrupt(*_: object) -> None:
    raise KeyboardInterrupt


@contextmanager
def ended_as_by_ctrl_c() -> Iterator[None]:
    """Within this, a request to end and a terminal that closes do what Ctrl-C does: what was done is kept, the draft
    with it. In another thread than the main one nothing is changed."""
    main = threading.current_thread() is threading.main_thread()
    # Who ignores one (nohup) goes on doing so.
    ours = [number for number in _REQUESTS if main and signal.getsignal(number) is signal.SIG_DFL]
    for number in ours:
        signal.signal(number, _interrupt)
    try:
        yield
    finally:
        for number in ours:
            signal.signal(number, signal.SIG_DFL)


@contextmanager
def taken_whole() -> Iterator[None]:
    """Within this, Ctrl-C waits, and so does what does the same; KeyboardInterrupt is raised when it is left.

    Where someone else handles the signals, or in another thread than the main one, nothing is changed.
    """
    held = {number: signal.getsignal(number) for number in (signal.SIGINT, *_REQUESTS)}
    held = {number: by for number, by in held.items() if by in (signal.default_int_handler, _interrupt)}
    if threading.current_thread() is not threading.main_thread() or not held:
        yield
        return
    stopped: list[int] = []
    for number in held:
        signal.signal(number, lambda number, _: stopped.append(number))
    try:
        yield
    finally:
        for number, by in held.items():
            signal.signal(number, by)
    if stopped:
        raise KeyboardInterrupt

"""Ctrl-C at the right moment: an utterance that is being taken is taken whole.

Cut between an answer and the lens, the question and the lines of the log that follow from it, an exam would stop at a
place where it never stood.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def ended_as_by_ctrl_c() -> Iterator[None]:
    """Within this, a request to end and a terminal that closes do what Ctrl-C does: what was done is kept, the draft
    with it. In another thread than the main one nothing is changed."""
    wanted = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    if threading.current_thread() is not threading.main_thread():
        wanted = []
    before = {number: signal.getsignal(number) for number in wanted}
    for number, handler in before.items():
        if handler is signal.SIG_DFL:  # who ignores it (nohup) goes on doing so
            signal.signal(number, _interrupt)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _interrupt(*_: object) -> None:
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:  # begun in the background: Ctrl-C is not for it, this is
        raise KeyboardInterrupt
    signal.raise_signal(signal.SIGINT)


@contextmanager
def taken_whole() -> Iterator[None]:
    """Within this, Ctrl-C waits; KeyboardInterrupt is raised when it is left.

    Where someone else handles the signal, or in another thread than the main one, nothing is changed.
    """
    main = threading.current_thread() is threading.main_thread()
    if not main or signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
        yield
        return
    stopped: list[int] = []
    signal.signal(signal.SIGINT, lambda number, _: stopped.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if stopped:
        raise KeyboardInterrupt

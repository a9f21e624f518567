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

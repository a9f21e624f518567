"""Players: where speech goes, and when the assistant is speaking.

The microphone hears the loudspeaker, so whoever listens asks a player's `times` which stretches to drop.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from ..errors import UserError
from .voice import Speech

TIMES_RATE = 16_000  # hertz; speaking times are counted at the rate the recognisers hear
HALF_DUPLEX_TAIL = 0.25  # seconds a room and a loudspeaker ring on after a prompt: the middle of 200-300 ms
KEPT_TIMES = 64  # stretches remembered; nobody listens back further than the last prompts


class PlaybackError(UserError):
    """Speech cannot be played; the message says why and what to do. The exam goes on with text."""


@dataclass(frozen=True)
class Spoken:
    """One stretch of speaking: samples [start, stop) at TIMES_RATE on the player's clock.

    `stop` is None while it goes on.
    """

    start: int
    stop: int | None


class SpeakingTimes:
    """When the assistant spoke, on a clock of its player's choosing; safe to read from other threads."""

    def __init__(self) -> None:
        self._spoken: list[Spoken] = []
        self._lock = threading.Lock()

    def begin(self, sample: int) -> None:
        with self._lock:
            if not self._spoken or self._spoken[-1].stop is not None:
                self._spoken.append(Spoken(sample, None))
                del self._spoken[:-KEPT_TIMES]

    def end(self, sample: int) -> None:
        with self._lock:
            if self._spoken and self._spoken[-1].stop is None:
                start = self._spoken[-1].start
                self._spoken[-1] = Spoken(start, max(start, sample))

    @property
    def spoken(self) -> tuple[Spoken, ...]:
        """The last stretches of speaking, oldest first."""
        with self._lock:
            return tuple(self._spoken)

    @property
    def speaking(self) -> bool:
        with self._lock:
            return bool(self._spoken) and self._spoken[-1].stop is None

    def touches(self, start: int, stop: int, tail: float = HALF_DUPLEX_TAIL) -> bool:
        """Whether samples [start, stop) hold the assistant's speech, or its ringing `tail` seconds after."""
        ring = round(tail * TIMES_RATE)
        return any(s.start < stop and (s.stop is None or start < s.stop + ring) for s in self.spoken)


class Player(Protocol):
    """Where speech goes."""

    times: SpeakingTimes

    def play(self, speech: Speech) -> None:
        """Say it after what is being said; returns at once. Raises PlaybackError."""
        ...

    def stop(self) -> None:
        """Be silent now, and forget what was still to be said."""
        ...

    @property
    def gone(self) -> bool:
        """Whether the device left what it was given to say unsaid: it is unplugged, and will not end speaking."""
        ...

    def close(self) -> None:
        """Be silent and let the device go. A closed player plays no more."""
        ...


class Output(Protocol):
    """A running audio output that pulls its samples: what a sound library offers to `DevicePlayer`."""

    rate: int  # hertz
    latency: float  # seconds from filling a block to hearing it

    def close(self) -> None:
        """Stop pulling and let the device go."""
        ...


Fill = Callable[[npt.NDArray[np.float32]], None]  # fills the next mono block; called from the device's thread
OpenOutput = Callable[[Fill], Output]

DEVICE_PATIENCE = 2.0  # seconds in which a device that has something to play asks for none of it, and counts as gone


class DevicePlayer:
    """Plays through a sound device, and can be interrupted between two of its blocks.

    The output runs on in silence between prompts: a device that has to start first clips the first syllable.
    """

    def __init__(self, open_output: OpenOutput, clock: Callable[[], float] = time.monotonic) -> None:
        """Opens the output; raises PlaybackError. `clock` counts seconds and gives `times` its zero."""
        self.times = SpeakingTimes()
        self._clock = clock
        self._lock = threading.Lock()
        self._waiting: list[npt.NDArray[np.float32]] = []
        self._position = 0  # in the first of those waiting
        self._unheard = 0  # samples handed to the device and not yet out of it
        self._asked = clock()  # when the device last asked for samples, or was given some to ask for
        self._output = open_output(self._fill)

    def play(self, speech: Speech) -> None:
        samples = speech.at(self._output.rate).samples
        if not len(samples):
            return
        with self._lock:
            if not self.times.speaking:
                self._asked = self._clock()
            self.times.begin(self._sample())  # a little early rather than late
            self._waiting.append(samples)

    def stop(self) -> None:
        with self._lock:
            self._waiting.clear()
            self._position = 0

    @property
    def gone(self) -> bool:
        with self._lock:
            return self.times.speaking and self._clock() - self._asked > DEVICE_PATIENCE

    def close(self) -> None:
        self.stop()
        self._output.close()
        self.times.end(self._sample())

    def _fill(self, block: npt.NDArray[np.float32]) -> None:
        with self._lock:
            self._asked = self._clock()
            done = 0
            while done < len(block) and self._waiting:
                first = self._waiting[0]
                piece = first[self._position : self._position + len(block) - done]
                block[done : done + len(piece)] = piece
                done += len(piece)
                self._position += len(piece)
                if self._position == len(first):
                    del self._waiting[0]
                    self._position = 0
            block[done:] = 0.0
            if done:
                self._unheard = done + round(self._output.latency * self._output.rate)
            elif self._unheard > 0:
                self._unheard -= len(block)
            if not self._waiting and self._unheard <= 0:
                self.times.end(self._sample())

    def _sample(self) -> int:
        return round(self._clock() * TIMES_RATE)

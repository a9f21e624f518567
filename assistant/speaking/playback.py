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

    def wait(self) -> None:
        """Return when all is said. Raises PlaybackError when the device has gone."""
        ...

    def close(self) -> None:
        """Be silent and let the device go. A closed player plays no more."""
        ...


class SilentPlayer:
    """Plays nothing and takes no time: for an exam by text, and where there is no sound device."""

    def __init__(self) -> None:
        self.times = SpeakingTimes()

    def play(self, speech: Speech) -> None:
        pass

    def stop(self) -> None:
        pass

    def wait(self) -> None:
        pass

    def close(self) -> None:
        pass


class FilePlayer:
    """Lays speech on a sound track instead of playing it; `now` is where the track has got to.

    The listening side moves `now` on as it hears (`advance`), so that prompts fall where they would be heard.
    """

    def __init__(self, rate: int = TIMES_RATE) -> None:
        self.rate = rate
        self.now = 0  # samples at `rate`
        self.times = SpeakingTimes()
        self._laid: list[tuple[int, npt.NDArray[np.float32]]] = []

    def play(self, speech: Speech) -> None:
        samples = speech.at(self.rate).samples
        if not len(samples):
            return
        self.times.begin(self._on_times(self.now))
        self._laid.append((self.now, samples))
        self.now += len(samples)
        self.times.end(self._on_times(self.now))

    def advance(self, seconds: float) -> None:
        """Let time pass in silence."""
        if seconds < 0:
            raise ValueError(f"seconds: {seconds}; time does not go back")
        self.now += round(seconds * self.rate)

    def stop(self) -> None:
        pass  # what is on the track was said

    def wait(self) -> None:
        pass

    def close(self) -> None:
        pass

    def track(self) -> npt.NDArray[np.float32]:
        """Everything laid so far: mono float32 samples at `rate`, as long as `now`."""
        track = np.zeros(self.now, np.float32)
        for start, samples in self._laid:
            track[start : start + len(samples)] += samples
        return track

    def _on_times(self, sample: int) -> int:
        return round(sample * TIMES_RATE / self.rate)


class Output(Protocol):
    """A running audio output that pulls its samples: what a sound library offers to `DevicePlayer`."""

    rate: int  # hertz
    latency: float  # seconds from filling a block to hearing it

    def close(self) -> None:
        """Stop pulling and let the device go."""
        ...


Fill = Callable[[npt.NDArray[np.float32]], None]  # fills the next mono block; called from the device's thread
OpenOutput = Callable[[Fill], Output]

DEVICE_PATIENCE = 2.0  # seconds past the due end of a prompt until a silent device counts as gone


class DevicePlayer:
    """Plays through a sound device, and can be interrupted between two of its blocks.

    The output runs on in silence between prompts: a device that has to start first clips the first syllable.
    """

    def __init__(self, open_output: OpenOutput, clock: Callable[[], float] = time.monotonic) -> None:
        """Opens the output; raises PlaybackError. `clock` counts seconds and gives `times` its zero."""
        self.times = SpeakingTimes()
        self._clock = clock
        self._change = threading.Condition()
        self._waiting: list[npt.NDArray[np.float32]] = []
        self._position = 0  # in the first of those waiting
        self._unheard = 0  # samples handed to the device and not yet out of it
        self._output = open_output(self._fill)

    def play(self, speech: Speech) -> None:
        samples = speech.at(self._output.rate).samples
        if not len(samples):
            return
        with self._change:
            self.times.begin(self._sample())  # a little early rather than late
            self._waiting.append(samples)

    def stop(self) -> None:
        with self._change:
            self._waiting.clear()
            self._position = 0

    def wait(self) -> None:
        with self._change:
            while self.times.speaking:
                due = (sum(map(len, self._waiting)) - self._position + self._unheard) / self._output.rate
                if not self._change.wait(due + DEVICE_PATIENCE):
                    self._waiting.clear()
                    self._position = self._unheard = 0
                    self.times.end(self._sample())
                    raise PlaybackError("the loudspeaker stopped answering: is it still plugged in?")

    def close(self) -> None:
        self.stop()
        self._output.close()
        with self._change:
            self.times.end(self._sample())
            self._change.notify_all()

    def _fill(self, block: npt.NDArray[np.float32]) -> None:
        with self._change:
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
                self._change.notify_all()

    def _sample(self) -> int:
        return round(self._clock() * TIMES_RATE)

"""Microphones, through sounddevice (PortAudio): what they hear, at 16 kHz, and whether they still hear.

The device runs at its own rate; its thread only copies what it is given into a queue. Whoever listens takes the sound
out with `poll`, in their own thread. Unplugging raises nothing in PortAudio, so a microphone that gives no sound for a
moment counts as lost, and is opened again, by its name, until it is back.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from enum import Enum
from typing import Any, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from ..errors import UserError
from .recogniser import RATE, Samples

LOST_AFTER = 0.8  # seconds without sound: with the listener's tick, a lost microphone is told of within a second
RETRY_AFTER = 1.0  # seconds between tries to open it again
BACKLOG = 60.0  # seconds of sound kept for a listener that is busy; older sound is dropped, and counted as lost
BLOCK = 0.01  # seconds: the device hands over its sound in pieces of about this length
LATENCY = 0.04  # seconds asked of the device: short for a quick answer, long enough for a busy machine
QUALITY = "MQ"  # of soxr's streaming resampler: flat to 7.3 kHz, aliases 115 dB down; 5 to 40 ms behind


class MicrophoneError(UserError):
    """A microphone cannot be used; the message says why and what to do."""


@dataclass(frozen=True, eq=False)
class Block:
    """Sound as it came: `samples` of shape (length, channels) at 16 kHz, -1..1.

    begin   when its first sample sounded, in seconds of the microphone's clock
    broken  sound was lost within it or just before it
    """

    samples: Samples
    begin: float
    broken: bool = False


class Change(Enum):
    """What became of the microphone."""

    LOST = "lost"
    BACK = "back"


class Input(Protocol):
    """A running device, as a sound library offers it to `Microphone`."""

    rate: int  # hertz

    @property
    def alive(self) -> bool:
        """False once it is known to have stopped; a device that was unplugged may say True for ever."""
        ...

    def close(self) -> None: ...


# (samples of shape (frames, channels), seconds since the first of them sounded, whether some were lost before them);
# called from the device's thread
Deliver = Callable[[npt.NDArray[np.float32], float, bool], None]
OpenInput = Callable[[Deliver], Input]


class _Delivered(NamedTuple):
    samples: npt.NDArray[np.float32]
    begin: float
    broken: bool


class _Feed:
    """The sound of one device on its way from the device's thread to the listener's."""

    def __init__(self, clock: Callable[[], float], arrived: threading.Condition) -> None:
        self._clock = clock
        self._arrived = arrived
        self._queue: deque[_Delivered] = deque()
        self._resampler: _Resampler | None = None
        self._broken = False  # sound was lost and no block has told of it yet
        self.rate = RATE  # of the device, hertz; set once it is open
        self.last = clock()  # when the device last gave sound
        self.overflows = 0

    def deliver(self, samples: npt.NDArray[np.float32], age: float, broken: bool) -> None:
        """Called from the device's thread."""
        now = self._clock()
        with self._arrived:
            self.last = now
            self.overflows += broken
            # Copied, for the device uses its buffer again; and a driver may leave anything in it.
            whole = np.nan_to_num(samples, nan=0.0, posinf=1.0, neginf=-1.0)
            self._queue.append(_Delivered(whole, now - age, broken))
            while now - self._queue[0].begin > BACKLOG:
                self._queue.popleft()
                self.overflows += 1
                self._broken = True
            self._arrived.notify_all()

    @property
    def waiting(self) -> bool:
        with self._arrived:
            return bool(self._queue)

    def take(self) -> Block | None:
        """The next of its sound at 16 kHz, or None until there is more."""
        while True:
            with self._arrived:
                if not self._queue:
                    return None
                delivered = self._queue.popleft()
                self._broken |= delivered.broken
            if self._resampler is None:
                self._resampler = _resampler(self.rate, delivered.samples.shape[1])
            samples, lag = self._resampler.push(delivered.samples)
            if len(samples):
                end = delivered.begin + len(delivered.samples) / self.rate - lag
                broken, self._broken = self._broken, False
                return Block(samples, end - len(samples) / RATE, broken)

    def forget(self) -> None:
        """What has come and was not taken does not count: the device was lost."""
        with self._arrived:
            self._queue.clear()
            self._broken = False
            self.last = self._clock()
        self._resampler = None


class Microphone:
    """One open device, or two taken together as two channels: the first's, then the second's.

    Raises MicrophoneError when one cannot be opened; later faults come out of `poll`. When one of two is lost, both
    are. Two devices are laid side by side by when their sound was heard, to the accuracy of their own times (tens of
    milliseconds); their clocks drift apart by about as much again in an exam.

    open_inputs  open the devices, and open them again after they were lost
    clock        seconds; must be the clock of the player whose speech is to be left out
    look_again   called before they are opened again, while none of them is open
    """

    def __init__(
        self,
        open_inputs: Sequence[OpenInput],
        clock: Callable[[], float] = time.monotonic,
        look_again: Callable[[], None] = lambda: None,
    ) -> None:
        self._open_inputs = tuple(open_inputs)
        self._clock = clock
        self._look_again = look_again
        self._arrived = threading.Condition()
        self._feeds = [_Feed(clock, self._arrived) for _ in self._open_inputs]
        self._kept: list[Block | None] = [None] * len(self._feeds)
        self._inputs: list[Input] = []
        self._aligned = False
        self._lost = False
        self._tried = clock()  # to open them
        self._open()

    @property
    def overflows(self) -> int:
        """How often sound was lost because the machine was too busy."""
        return sum(feed.overflows for feed in self._feeds)

    def poll(self) -> Block | Change | None:
        """What has come since: sound, or a change. None: nothing yet; `wait` for it."""
        if self._lost and self._inputs and all(feed.waiting for feed in self._feeds):
            self._lost = False
            return Change.BACK
        if not self._lost:
            block = self._next()
            if block is not None:
                return block
        return self._watch()

    def wait(self, seconds: float) -> None:
        """Return when something has come, or after `seconds`."""
        with self._arrived:
            self._arrived.wait_for(lambda: all(feed.waiting for feed in self._feeds), seconds)

    def close(self) -> None:
        """Let the devices go."""
        inputs, self._inputs = self._inputs, []
        for one in inputs:
            one.close()
        for feed in self._feeds:
            feed.forget()
        self._kept = [None] * len(self._feeds)
        self._aligned = False

    def __enter__(self) -> Microphone:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _open(self) -> None:
        try:
            for open_input, feed in zip(self._open_inputs, self._feeds, strict=True):
                opened = open_input(feed.deliver)
                self._inputs.append(opened)
                feed.rate = opened.rate
                feed.last = self._clock()
        except MicrophoneError:
            self.close()
            raise

    def _watch(self) -> Change | None:
        now = self._clock()
        if self._inputs:
            dead = any(not one.alive for one in self._inputs)
            if dead or any(now - feed.last >= LOST_AFTER for feed in self._feeds):
                self.close()
                self._tried = now
                if not self._lost:
                    self._lost = True
                    return Change.LOST
        elif self._lost and now - self._tried >= RETRY_AFTER:
            self._tried = now
            self._look_again()
            with suppress(MicrophoneError):
                self._open()
        return None

    def _next(self) -> Block | None:
        if len(self._feeds) == 1:
            return self._feeds[0].take()
        for which, feed in enumerate(self._feeds):
            while (more := feed.take()) is not None:
                self._kept[which] = _joined(self._kept[which], more)
        first, second = self._kept
        if first is None or second is None:
            return None
        if not self._aligned:
            latest = max(first.begin, second.begin)
            self._kept = [_without(block, round((latest - block.begin) * RATE)) for block in (first, second)]
            self._aligned = all(self._kept)
            return self._next() if self._aligned else None
        length = min(len(first.samples), len(second.samples))
        self._kept = [_without(block, length) for block in (first, second)]
        side_by_side = [block.samples[:length].mean(axis=1) for block in (first, second)]
        return Block(np.stack(side_by_side, axis=1), first.begin, first.broken or second.broken)


def _joined(block: Block | None, more: Block) -> Block:
    if block is None:
        return more
    return Block(np.concatenate([block.samples, more.samples]), block.begin, block.broken or more.broken)


def _without(block: Block, length: int) -> Block | None:
    """The block after its first `length` samples; None where nothing is left."""
    if length >= len(block.samples):
        return None
    return Block(block.samples[length:], block.begin + length / RATE)


class _Resampler(Protocol):
    """From a device's rate to 16 kHz, piece by piece; samples of shape (length, channels)."""

    def push(self, samples: npt.NDArray[np.float32]) -> tuple[Samples, float]:
        """What is ready, and by how many seconds it lags behind what was pushed."""
        ...


def _resampler(rate: int, channels: int) -> _Resampler:
    """The whole multiples of 16 kHz need a filter of a millisecond or two; soxr, for all others, is tens behind."""
    return _Decimator(rate // RATE, channels) if rate % RATE == 0 else _Soxr(rate, channels)


TAPS = 64  # of the filter, for each step of the factor: flat to 7 kHz, aliases of 9 kHz and above 90 dB down
CUTOFF = 7_900.0  # hertz: half way down
KAISER = 8.0  # the window's beta: side lobes below 80 dB


class _Decimator:
    """Low-pass filter (a sinc under a Kaiser window), of whose output every `factor`-th sample is kept."""

    def __init__(self, factor: int, channels: int) -> None:
        self._factor = factor
        length = TAPS * factor + 1 if factor > 1 else 1
        at = np.arange(length) - (length - 1) / 2
        share = 2 * CUTOFF / (RATE * factor)
        taps = share * np.sinc(share * at) * np.kaiser(length, KAISER)
        self._taps = (taps / taps.sum()).astype(np.float32)
        self._kept = np.zeros((length - 1, channels), np.float32)
        self._delay = (length - 1) / 2 / (RATE * factor)

    def push(self, samples: npt.NDArray[np.float32]) -> tuple[Samples, float]:
        data = np.concatenate([self._kept, samples])
        length = len(self._taps)
        count = max(0, (len(data) - length) // self._factor + 1)
        used = count * self._factor
        self._kept = data[used:]
        left_over = len(self._kept) - (length - 1)  # of the pushed samples, not yet looked at
        lag = self._delay + left_over / (RATE * self._factor)
        if not count:
            return np.zeros((0, samples.shape[1]), np.float32), lag
        windows = np.lib.stride_tricks.sliding_window_view(data, length, axis=0)[:: self._factor][:count]
        return np.asarray(windows @ self._taps, np.float32), lag


class _Soxr:
    def __init__(self, rate: int, channels: int) -> None:
        try:
            import soxr
        except ImportError as error:
            raise MicrophoneError(
                f"a microphone at {rate} Hz cannot be brought to {RATE} Hz: {error}. Fix: pip install soxr"
            ) from None
        self._rate = rate
        self._channels = channels
        self._stream: Any = soxr.ResampleStream(rate, RATE, channels, dtype="float32", quality=QUALITY)
        self._fed = self._given = 0

    def push(self, samples: npt.NDArray[np.float32]) -> tuple[Samples, float]:
        self._fed += len(samples)
        ready = np.asarray(self._stream.resample_chunk(samples), np.float32).reshape(-1, self._channels)
        self._given += len(ready)
        return ready, self._fed / self._rate - self._given / RATE


# --- sounddevice: nothing above touches it ---


def open_microphone(
    *devices: str | None,
    channels: int = 1,
    aside: Callable[[Callable[[], None]], None] = lambda look: look(),
    clock: Callable[[], float] = time.monotonic,
) -> Microphone:
    """Input devices by name: the one whose name holds it (any case), or the system's default one for None.

    devices   one, or the examiner's and the patient's; none: the default one
    channels  of one device: 2 where the examiner's and the patient's microphone are its two channels
    aside     carries out a look for devices plugged in since, which ends every open stream of the process: it must
              close a loudspeaker first and open it again afterwards, or put the look off
    Raises MicrophoneError, with what to do about it.
    """

    def opener(device: str | None) -> OpenInput:
        return lambda deliver: _open(device, channels, deliver)

    return Microphone([opener(device) for device in devices or (None,)], clock, lambda: aside(_look_again))


def input_names() -> list[str]:
    """Names of the devices that can record; raises MicrophoneError where PortAudio is missing."""
    return list(dict.fromkeys(d["name"] for d in _sounddevice().query_devices() if d["max_input_channels"] > 0))


def _look_again() -> None:
    """Make PortAudio list the devices anew: it does so only when it starts. Every open stream ends with it."""
    sounddevice = _sounddevice()
    with suppress(sounddevice.PortAudioError):
        sounddevice._terminate()
    with suppress(sounddevice.PortAudioError):
        sounddevice._initialize()


def _sounddevice() -> Any:
    try:
        import sounddevice
    except ImportError as error:
        raise MicrophoneError(f"no microphone can be used: {error}. Fix: pip install sounddevice") from None
    except OSError:  # sounddevice's own wheel has PortAudio for macOS and Windows only
        raise MicrophoneError(
            "no microphone can be used: the sound library PortAudio is missing. "
            "Fix: on Debian or Ubuntu, sudo apt install libportaudio2"
        ) from None
    return sounddevice


class _Stream:
    """A running sounddevice stream as an `Input`."""

    def __init__(self, stream: Any, error: type[Exception]) -> None:
        self._stream = stream
        self._error = error
        self.rate = int(stream.samplerate)

    @property
    def alive(self) -> bool:
        try:
            return bool(self._stream.active)
        except self._error:
            return False

    def close(self) -> None:
        self._stream.close(ignore_errors=True)  # a device that was unplugged cannot be closed properly


def _open(device: str | None, channels: int, deliver: Deliver) -> Input:
    sounddevice = _sounddevice()
    try:
        number = _number(sounddevice, device)
        about = sounddevice.query_devices(number, "input")
        if about["max_input_channels"] < channels:
            raise MicrophoneError(
                f"{about['name']} has one channel. Fix: give each person a microphone "
                "(--microphone and --patient-microphone), or use one for both"
            )
        rate = int(about["default_samplerate"])

        def callback(block: npt.NDArray[np.float32], frames: int, when: Any, status: Any) -> None:
            age = when.currentTime - when.inputBufferAdcTime
            if not 0 < age < 1:  # some systems do not say
                age = frames / rate
            if channels == 1:
                block = block.mean(axis=1, keepdims=True)
            deliver(block, age, bool(status.input_overflow))

        def started(width: int) -> Any:
            stream = sounddevice.InputStream(
                samplerate=rate,
                blocksize=round(rate * BLOCK),
                device=number,
                channels=width,
                dtype="float32",
                latency=LATENCY,
                callback=callback,
            )
            stream.start()
            return stream

        try:
            return _Stream(started(channels), sounddevice.PortAudioError)
        except sounddevice.PortAudioError:
            if channels == 2 or about["max_input_channels"] < 2:
                raise
            return _Stream(started(2), sounddevice.PortAudioError)  # a device that records in pairs only
    except (sounddevice.PortAudioError, ValueError) as error:
        raise MicrophoneError(
            f"no microphone can be used ({error}). Fix: plug one in, and name it with --microphone; "
            "an exam by typing needs none (--listen text)"
        ) from None


def _number(sounddevice: Any, device: str | None) -> int | None:
    """The device's number, or None for the system's default. Numbers change with whatever else is plugged in."""
    if device is None:
        return None
    recording = [(n, d["name"]) for n, d in enumerate(sounddevice.query_devices()) if d["max_input_channels"] > 0]
    found = [one for one in recording if one[1] == device]
    found = found or [one for one in recording if device.casefold() in one[1].casefold()]
    # One device is listed once for each of the system's sound interfaces, under the same name.
    names = list(dict.fromkeys(name for _, name in found))
    if not names:
        there = ", ".join(f'"{name}"' for name in dict.fromkeys(name for _, name in recording)) or "none"
        raise MicrophoneError(f'no microphone is called "{device}". Fix: plug it in, or give one of: {there}')
    if len(names) > 1:
        raise MicrophoneError(f'"{device}" is part of several names. Fix: give more of it: {", ".join(names)}')
    return found[0][0]

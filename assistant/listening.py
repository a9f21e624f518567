"""Sound into the exam: stream, cutter, recogniser with the live grammar, who spoke, and the utterance's recording.

The same path for a microphone, a recording and the demo: samples are pushed in, and nothing but what is heard in
them reaches the exam. Everything is counted in the detector's frames of 32 ms of the sound itself, so the same sound
gives the same events in pieces of any size.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import numpy as np

from .errors import UserError
from .hearing.acceptance import pause_for
from .hearing.channels import UNSYNCHRONISED, CrossTalk, Turns, asks, hears_two, is_question
from .hearing.cutter import FRAME, LONG_PAUSE, Cut, Cutter
from .hearing.hesitation import hesitation
from .hearing.microphone import Block, Change, Microphone, open_microphone
from .hearing.recogniser import RATE, Recogniser, Samples
from .hearing.sparing import SparingDetector
from .protocol.meanings import CHOICE_ANSWERS, Heard, Meaning, Outcome, Speaker
from .protocol.questions import Choice
from .record.events import Recording
from .record.folder import ExamFolder
from .session import Session

# Seconds without an utterance, counted in the sound itself, after which the question is put again; all are design.
SILENCE_AFTER = 15.0  # once the patient has been asked
SHOWN_AFTER = 8.0  # after a lens was named and nothing more: the examiner turns a dial, or it was meant as the answer
UNASKED_AFTER = 60.0  # while nobody has asked the patient yet: the examiner is busy
HELD = 3.0  # an answer that may be the examiner showing a lens again counts when this long nothing follows it
# In 28 of 220 plain recordings of "one" and "two" (Free Spoken Digit, Speech Commands) the voice rises: by itself, in
# an answer that came in time, that is no hesitation. The limit is a design choice.
WAVERING = 2.5  # seconds from the question to the answer
RISING = "rising voice"
TOUCHES = 2  # frames: speech this near to sound that was lost or left out may have lost a part itself
REMEMBERED = 2000  # frames that were lost or left out, kept in mind: a minute of them

TICK = 0.1  # seconds between looks at the microphone while it gives nothing
CHUNK = RATE // 10  # samples pushed at a time from a recording: a tenth of a second

MICROPHONE_LOST = "I cannot hear the microphone. The exam waits. Is it plugged in?"
MICROPHONE_BACK = "The microphone is back."
SOUND_LOST = "The computer was too busy and lost some sound. What was said then is asked for again."


class Mouth(Protocol):
    """The assistant's own voice, as far as listening has to know of it. Times are seconds of the monotonic clock."""

    def touches(self, begin: float, end: float) -> bool:
        """Whether it spoke, or the room still rang with it, within these times."""
        ...

    def step_aside(self, look: Callable[[], None]) -> None:
        """Let the sound devices go while `look` runs, or put it off while they are needed."""
        ...

    def interrupt(self) -> None:
        """Be silent now."""
        ...


@dataclass(eq=False)
class _Lane:
    """One channel that is listened to. `by`: whose it is, None where it is everybody's."""

    by: Speaker | None
    cutter: Cutter
    ready: tuple[int, int, str, Heard] | None = None
    saved: tuple[int, int, int, Recording] | None = None


@dataclass(frozen=True, eq=False)
class _Utterance:
    """What was said, ready for the exam. `saved`: its recording, if it is stored already, for the log's event `seq`."""

    heard: Heard
    cut: Cut
    saved: tuple[int, Recording] | None = None
    hedged_by: tuple[str, ...] = ()


class Ear:
    """Listens for one exam.

    Push samples (16 kHz; mono, or of shape (length, 2) with the examiner's channel first) in real order; every
    utterance is recognised by the grammar that is live at that moment, stored, and taken by the session. `position`
    counts the samples heard so far, in whole frames.

    two     two microphones: the first the examiner's, the second the patient's
    ahead   frames by which two devices' times may differ
    """

    def __init__(
        self,
        session: Session,
        recogniser: Recogniser,
        folder: ExamFolder | None = None,
        two: bool = False,
        ahead: int = 0,
    ) -> None:
        self._session = session
        self._recogniser = recogniser
        self._folder = folder
        self._crosstalk = CrossTalk(ahead) if two else None
        whose: tuple[Speaker | None, ...] = (Speaker.EXAMINER, Speaker.PATIENT) if two else (None,)
        self._lanes = [self._lane(by) for by in whose]
        self._saver = ThreadPoolExecutor(1)
        self._turns = Turns(session.asks == "assistant")
        self._times_asked = 0  # of the session, when last looked at
        self._partial = np.zeros((0, len(whose)), np.float32)  # less than a frame
        self._partial_fault = False
        self._partial_muted = False
        self._faulty: deque[int] = deque(maxlen=REMEMBERED)  # frames in which sound was lost
        self._muted: deque[int] = deque(maxlen=REMEMBERED)  # frames left out, for the assistant spoke
        self._held: tuple[_Utterance, int] | None = None  # an answer or not, and where it becomes one
        self._unclear: tuple[int, int] | None = None  # the last stretch of speech that could be anybody's
        self._asked: int | None = None  # where the question to the patient ended, in samples
        self._quiet_since = 0
        self._wait = UNASKED_AFTER
        self.position = 0
        self.look()

    def push(self, samples: Samples, lost: bool = False, muted: bool = False) -> None:
        """`lost`: some sound is missing in these samples or just before. `muted`: they are not to be heard."""
        new = np.asarray(samples, np.float32).reshape(len(samples), -1)
        if new.shape[1] != len(self._lanes):
            raise ValueError(f"samples: {new.shape[1]} channels; {len(self._lanes)} are listened to")
        self._partial_fault |= lost
        self._partial_muted |= muted
        data = np.concatenate([self._partial, new])
        whole = len(data) // FRAME * FRAME
        self._partial = data[whole:]
        for begin in range(0, whole, FRAME):
            self._frame(data[begin : begin + FRAME], self._partial_fault, self._partial_muted)
            self._partial_fault, self._partial_muted = False, muted

    def finish(self) -> None:
        """The sound has ended."""
        if len(self._partial):
            rest = np.zeros((FRAME, len(self._lanes)), np.float32)
            rest[: len(self._partial)] = self._partial
            self._partial = self._partial[:0]
            self._frame(rest, self._partial_fault, self._partial_muted)
        if self._crosstalk is not None:
            for frame in self._crosstalk.rest():
                self._listen(frame)
        for lane in self._lanes:
            for cut in lane.cutter.finish():
                self._utterance(lane, cut)
        self._release()

    def forget(self) -> None:
        """The microphone was lost: what was being said is not complete and does not count. Its sound begins anew."""
        self._lanes = [self._lane(lane.by) for lane in self._lanes]
        if self._crosstalk is not None:
            self._crosstalk = CrossTalk(self._crosstalk.ahead)
        self._partial = self._partial[:0]
        self._partial_fault = self._partial_muted = False
        self._faulty.clear()
        self._muted.clear()
        self._held = self._unclear = self._asked = None
        self._quiet_since = self.position = 0

    def typed(self, text: str) -> None:
        """A line typed meanwhile."""
        self._release()
        self._session.take(self._session.typed(text))
        self.look()

    # --- frame by frame ---

    def _lane(self, by: Speaker | None) -> _Lane:
        def pause_after(cut: Cut) -> int:
            return self._ahead(lane, cut)

        lane = _Lane(by, Cutter(pause_after, SparingDetector()))
        return lane

    def _frame(self, frame: Samples, lost: bool, muted: bool) -> None:
        if self._session.over:
            return
        index = self.position // FRAME
        self.position += FRAME
        if lost:
            self._faulty.append(index)
        if muted:
            self._muted.append(index)
            frame = np.zeros_like(frame)
            self._quiet_since = self.position
            if self._turns.by_assistant:
                self._asked = self.position
        for ready in [frame] if self._crosstalk is None else self._crosstalk.frame(frame):
            self._listen(ready)
        self._pass_time()

    def _listen(self, frame: Samples) -> None:
        for which, lane in enumerate(self._lanes):
            for cut in lane.cutter.push(frame[:, which]):
                self._utterance(lane, cut)

    def _pass_time(self) -> None:
        if any(lane.cutter.in_speech for lane in self._lanes):
            self._quiet_since = self.position
            return
        if self._held is not None and self.position >= self._held[1]:
            self._release()
        elif self.position - self._quiet_since > self._wait * RATE and not self._session.over:
            waited = (self.position - self._quiet_since) // RATE
            self._quiet_since = self.position
            self._session.take(Heard("", Outcome.SILENCE, after=float(waited)))
            self.look()

    # --- utterances ---

    def _ahead(self, lane: _Lane, cut: Cut) -> int:
        """Recognise ahead while the pause runs: a sure whole answer need not wait for a long one."""
        grammar = self._session.grammar(lane.by)
        # Storing takes as long as recognising where a disk is slow. What two microphones hear may yet be an echo.
        saving = None if self._folder is None or lane.by is not None else self._saver.submit(self._save, cut)
        heard = self._recogniser.hear(cut.audio, grammar)
        lane.ready = (cut.start, cut.end, grammar.name, heard)
        lane.saved = None if saving is None else (cut.start, cut.end, *saving.result())
        if self._by_turns and (self._turns.shows(heard) or self._turns.is_ambiguous(heard)):
            return LONG_PAUSE  # "one ... or two?" in one breath is a whole question
        return pause_for(heard, grammar)

    def _save(self, cut: Cut) -> tuple[int, Recording]:
        """Store the sound of the log's next event."""
        assert self._folder is not None
        return self._folder.next_seq, self._folder.save_audio(cut.audio, RATE)

    def _utterance(self, lane: _Lane, cut: Cut) -> None:
        if self._session.over:
            return
        grammar = self._session.grammar(lane.by)
        ready, lane.ready = lane.ready, None
        if ready is not None and ready[:3] == (cut.start, cut.end, grammar.name):
            heard = ready[3]
        else:
            heard = self._recogniser.hear(cut.audio, grammar)
        self._quiet_since = max(self._quiet_since, self.position)
        saved = lane.saved[2:] if lane.saved is not None and lane.saved[:2] == (cut.start, cut.end) else None
        lane.saved = None
        whose = self._whose(lane, self._unless_broken(heard, cut), cut)
        if whose is None:
            return
        said = replace(self._timed(whose, cut), saved=saved)
        if self._by_turns and whose.accepted and self._turns.is_ambiguous(whose):
            self._held = (said, self.position + round(HELD * RATE))
        else:
            self._take(said)

    def _unless_broken(self, heard: Heard, cut: Cut) -> Heard:
        """Speech of which a part may be missing is not acted on: "not two" without its beginning is "two"."""
        if not heard.accepted:
            return heard
        begin, end = cut.speech_start // FRAME - TOUCHES, cut.speech_end // FRAME + TOUCHES
        missing = (index for kept in (self._faulty, self._muted) for index in kept)
        return replace(heard, outcome=Outcome.DOUBTFUL) if any(begin <= at < end for at in missing) else heard

    def _whose(self, lane: _Lane, heard: Heard, cut: Cut) -> Heard | None:
        """With who said it; None for what is dropped, because it is heard in the other channel too."""
        if self._crosstalk is None:
            return self._by_its_words(heard)
        by = self._crosstalk.whose(cut.speech_start, cut.speech_end)
        if by is None:
            return self._anybodys(heard, cut)
        if by is not lane.by:
            return None
        if by is Speaker.EXAMINER and is_question(heard):
            return asks(heard)
        if by is Speaker.EXAMINER and not heard.accepted and heard.meaning in CHOICE_ANSWERS:
            return replace(heard, by=by, outcome=Outcome.NOT_UNDERSTOOD)  # a lens shown: nobody has to be asked
        return replace(heard, by=by)

    def _by_its_words(self, heard: Heard) -> Heard:
        if self._held is not None and (heard.accepted or is_question(heard)):
            # Another name, or the question: the one held was the examiner's. An answer in more words: it was not
            # the last word. The same name again, or a command: it was the answer.
            again = self._turns.is_ambiguous(heard) and heard.meaning is self._held[0].heard.meaning
            answers = heard.meaning in CHOICE_ANSWERS or heard.meaning is Meaning.QUESTION
            self._release(as_shown=answers and not again)
        if not self._at_choice:
            return asks(heard) if is_question(heard) else heard
        return heard if self._turns.is_ambiguous(heard) else self._turns.takes(heard)

    def _anybodys(self, heard: Heard, cut: Cut) -> Heard | None:
        """Speech equally loud in both microphones: heard once, and nothing is made of it without asking again."""
        other, self._unclear = self._unclear, (cut.speech_start, cut.speech_end)
        if other is not None and cut.speech_start < other[1] and other[0] < cut.speech_end:
            return None
        return replace(heard, outcome=Outcome.DOUBTFUL) if heard.accepted else heard

    def _timed(self, heard: Heard, cut: Cut) -> _Utterance:
        """With the seconds since the question, and whether the answer was held back."""
        after = None
        if self._asked is not None and heard.by is not Speaker.EXAMINER and cut.speech_start >= self._asked:
            after = round((cut.speech_start - self._asked) / RATE, 2)
        heard = replace(heard, after=after)
        if not (heard.accepted and heard.meaning in CHOICE_ANSWERS and heard.by is not Speaker.EXAMINER):
            return _Utterance(heard, cut)
        reasons = hesitation(cut.audio, heard.hedged, after).reasons
        if reasons == (RISING,) and (after is None or after < WAVERING):
            reasons = ()  # the tune of the voice alone: people say plain words with it too
        return _Utterance(replace(heard, hedged=bool(reasons)), cut, hedged_by=reasons)

    def _release(self, as_shown: bool = False) -> None:
        """What was held is an answer, or (`as_shown`) the examiner showing a lens."""
        if self._held is None:
            return
        (said, _), self._held = self._held, None
        if as_shown:
            heard = self._turns.shown_again(replace(said.heard, after=None, hedged=False))
            self._take(_Utterance(heard, said.cut))
        else:
            self._take(replace(said, heard=replace(said.heard, by=Speaker.PATIENT)))

    def _take(self, said: _Utterance) -> None:
        if self._session.over:
            return
        heard, cut = said.heard, said.cut
        recording = None
        if self._folder is not None:
            stored = said.saved is not None and said.saved[0] == self._folder.next_seq
            recording = said.saved[1] if stored and said.saved is not None else self._save(cut)[1]
        self._session.take(heard, recording, said.hedged_by)
        if heard.by is Speaker.EXAMINER and heard.meaning is Meaning.QUESTION:
            self._asked, self._wait = cut.speech_end, SILENCE_AFTER
        elif heard.by is Speaker.EXAMINER and heard.meaning in CHOICE_ANSWERS:
            self._asked = cut.speech_end
            self._wait = SHOWN_AFTER if self._by_turns else SILENCE_AFTER
        elif heard.outcome is Outcome.NOT_UNDERSTOOD and heard.by is not Speaker.PATIENT:
            # It may have been the question; with one microphone, it may also have been anything else.
            self._asked = cut.speech_end if heard.by is Speaker.EXAMINER else None
        self.look()

    @property
    def _at_choice(self) -> bool:
        return isinstance(self._session.question, Choice)

    @property
    def _by_turns(self) -> bool:
        """One microphone hears a pair of lenses being asked about."""
        return self._crosstalk is None and self._at_choice

    def look(self) -> None:
        """Has a question been put since this was last asked?"""
        if self._session.times_asked == self._times_asked:
            return
        self._times_asked = self._session.times_asked
        ask = self._session.last_ask
        anew = ask is None or ask.attempt == 0
        self._turns.put(anew)
        if self._turns.by_assistant:
            self._asked, self._wait = self.position, SILENCE_AFTER
        else:
            self._asked = None
            self._wait = UNASKED_AFTER if anew else max(self._wait, SILENCE_AFTER)


def listen_to_recording(
    recogniser: Recogniser, path: Path, two: bool | None = None
) -> Callable[[Session, ExamFolder], None]:
    """A whole recorded conversation, in its own order. Raises UserError where it cannot be read.

    two  its two channels are the examiner's microphone and the patient's; None: if they sound like it
    """
    from .hearing.audio import read_channels

    sound = read_channels(path)
    if two and sound.shape[1] != 2:
        raise UserError(f"{path} has {sound.shape[1]} channels, not two: leave --channels out, or give --channels one")
    if two is None:
        two = hears_two(sound)
    if not two:
        sound = sound.mean(axis=1, keepdims=True, dtype=np.float32)

    def listen(session: Session, folder: ExamFolder) -> None:
        ear = Ear(session, recogniser, folder, two)
        for begin in range(0, len(sound), CHUNK):
            if session.over:
                return
            ear.push(sound[begin : begin + CHUNK])
        ear.finish()

    return listen


@dataclass(frozen=True)
class Desk:
    """The microphones of a room, by name (or a part of it).

    microphone  the examiner's, or the one for both; None: the system's default
    patient     the patient's own; None: there is none
    two         `microphone` has two channels, the examiner's and the patient's
    """

    microphone: str | None = None
    patient: str | None = None
    two: bool = False

    def open(self, aside: Callable[[Callable[[], None]], None]) -> Microphone:
        """Raises UserError where one is missing. `aside` as in `hearing.microphone.open_microphone`."""
        if self.patient is not None:
            return open_microphone(self.microphone, self.patient, aside=aside)
        return open_microphone(self.microphone, channels=2 if self.two else 1, aside=aside)

    def ear(self, session: Session, recogniser: Recogniser, folder: ExamFolder | None) -> Ear:
        """Listens to what these microphones give."""
        two_devices = self.patient is not None
        return Ear(session, recogniser, folder, self.two or two_devices, UNSYNCHRONISED if two_devices else 0)


def listen_to_microphone(
    recogniser: Recogniser,
    desk: Desk | None = None,
    mouth: Mouth | None = None,
    typed: Callable[[], str | None] = lambda: None,
) -> Callable[[Session, ExamFolder], None]:
    """The microphone, until the exam is over or the program is stopped. Raises UserError where there is none.

    mouth  the assistant's own voice: while it speaks, and until the room has stopped ringing, nothing is heard
    typed  a line typed since, or None; an empty one only silences the assistant
    """
    desk = desk or Desk()
    microphone = desk.open(mouth.step_aside if mouth is not None else lambda look: look())

    def listen(session: Session, folder: ExamFolder) -> None:
        with microphone:
            listen_live(session, microphone, desk.ear(session, recogniser, folder), mouth, typed)

    return listen


def listen_live(
    session: Session,
    microphone: Microphone,
    ear: Ear,
    mouth: Mouth | None = None,
    typed: Callable[[], str | None] = lambda: None,
) -> None:
    """Until the exam is over. A microphone that is lost stops the exam where it stands, until it is back."""
    told_of_overflow = False
    while not session.over:
        while (line := typed()) is not None and not session.over:
            if mouth is not None:
                mouth.interrupt()
            if line.strip():
                ear.typed(line)
        came = microphone.poll()
        if came is None:
            microphone.wait(TICK)
        elif isinstance(came, Block):
            length = len(came.samples) / RATE
            muted = mouth is not None and mouth.touches(came.begin, came.begin + length)
            ear.push(came.samples, came.broken, muted)
            if came.broken and not told_of_overflow:
                told_of_overflow = True
                session.caution("sound_lost", SOUND_LOST)
        elif came is Change.LOST:
            ear.forget()
            session.caution("microphone_lost", MICROPHONE_LOST)
        else:
            session.caution("microphone_back", MICROPHONE_BACK)
            session.ask_again()
            ear.look()

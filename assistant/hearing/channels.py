"""Who spoke: the examiner or the patient.

One microphone hears both. Then words and the state of the question tell: commands and the question are the
examiner's, most answers are the patient's. But "one" and "two" are said by both: the examiner names the
lenses with them while showing them ("one" - turns the dial - "or two?"). So a bare name of a lens is an
answer only once the question has been asked whole; before that it shows a lens and answers nothing (`Turns`).

Two microphones tell by loudness: what sounds in one louder than in the other is that one's, and its echo in
the other is blanked out before anything listens there (`CrossTalk`).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import replace
from enum import Enum, auto

import numpy as np
import numpy.typing as npt

from ..protocol.meanings import CHOICE_ANSWERS, Heard, Meaning, Outcome, Speaker
from .cutter import FRAME
from .recogniser import RATE, Samples

# --- one microphone


class Asked(Enum):
    """How far the question of a pair of lenses has been put to the patient."""

    NOT_YET = auto()
    FIRST_SHOWN = auto()
    WHOLE = auto()


QUESTION_WORDS = 3

_FIRST = frozenset({"one", "one's", "1", "first"})
_SECOND = frozenset({"two", "two's", "2", "second"})
_WITH_NAMES = frozenset({"number", "lens", "option", "the", "a", "and"})


def names_first(text: str) -> bool:
    """The first lens is named in a text of spoken words."""
    return not _FIRST.isdisjoint(_words(text))


def names_second(text: str) -> bool:
    return not _SECOND.isdisjoint(_words(text))


def is_bare_name(heard: Heard) -> bool:
    """Nothing but the name of a lens was said: "one", "number two", "the first one"."""
    if heard.meaning not in (Meaning.FIRST, Meaning.SECOND):
        return False
    return _words(heard.text) <= _FIRST | _SECOND | _WITH_NAMES


def _words(text: str) -> set[str]:
    return {word.strip(".,?!;:").casefold() for word in text.split()}


class Turns:
    """Follows one question for a pair of lenses after another, as one microphone hears them.

    by_assistant  the assistant puts the questions to the patient itself: then each is asked whole as it is
                  put, and a bare name is an answer
    """

    def __init__(self, by_assistant: bool = False) -> None:
        self.by_assistant = by_assistant
        self.asked = Asked.WHOLE if by_assistant else Asked.NOT_YET
        self._repeated = False  # the assistant has asked again aloud

    def put(self, anew: bool) -> None:
        """A question stands: a new one (`anew`), or the same put once more."""
        self._repeated = not anew
        if anew and not self.by_assistant:
            self.asked = Asked.NOT_YET

    def shows(self, heard: Heard) -> bool:
        """Whether this is the examiner naming a lens, not an answer."""
        return is_bare_name(heard) and self.asked is not Asked.WHOLE

    def is_ambiguous(self, heard: Heard) -> bool:
        """A bare name after the assistant has asked again aloud: the patient answers at once, or the examiner
        shows the lenses once more. What follows tells.
        """
        return is_bare_name(heard) and self.asked is Asked.WHOLE and self._repeated and not self.by_assistant

    def takes(self, heard: Heard) -> Heard:
        """An utterance while a pair of lenses is asked about, with who said it; the question moves on with it."""
        if is_question(heard):
            self._question(heard.text)
            return asks(heard)
        if not heard.accepted and _names_both(heard.text):  # no single answer does; a question misheard does
            self._question(heard.text)
            return replace(heard, by=Speaker.EXAMINER, outcome=Outcome.NOT_UNDERSTOOD)
        if self.shows(heard):
            return self._shown(heard)
        if heard.accepted and heard.meaning in CHOICE_ANSWERS:
            return replace(heard, by=Speaker.PATIENT)
        return heard

    def shown_again(self, heard: Heard) -> Heard:
        """An ambiguous name was the examiner's after all: the question begins again with it."""
        self._repeated, self.asked = False, Asked.NOT_YET
        return self._shown(heard)

    def _shown(self, heard: Heard) -> Heard:
        """Heard, and no answer, however surely it was heard."""
        if heard.accepted and heard.meaning is Meaning.FIRST:
            self.asked = Asked.FIRST_SHOWN
        elif heard.accepted and self.asked is Asked.FIRST_SHOWN:
            self.asked = Asked.WHOLE
        # The second without the first may be an echo of the answer just given: nothing is complete with it.
        outcome = heard.outcome if heard.accepted else Outcome.NOT_UNDERSTOOD
        return replace(heard, by=Speaker.EXAMINER, outcome=outcome)

    def _question(self, text: str) -> None:
        if names_second(text) or "or" in text.casefold().split():
            self.asked = Asked.WHOLE
        elif names_first(text):
            self.asked = Asked.FIRST_SHOWN
        # "Which is better?" alone: the lenses may yet be named.


def is_question(heard: Heard) -> bool:
    """The examiner's own question, surely, or as surely as it matters: no answer has so many words of one."""
    if heard.meaning is not Meaning.QUESTION:
        return False
    return heard.accepted or len(heard.text.split()) >= QUESTION_WORDS


def asks(heard: Heard) -> Heard:
    """A question as the exam takes it. Doubt about it changes nothing, and to ask back would only disturb."""
    return replace(heard, by=Speaker.EXAMINER, outcome=Outcome.HEARD)


def _names_both(text: str) -> bool:
    return names_first(text) and names_second(text)


# --- two microphones

MARGIN = 3.0  # dB by which a voice is louder in its own microphone: less, and nobody can tell whose it is
FALL = 3.84  # dB a frame of 32 ms: a room that rings for half a second until 60 dB down
ABOVE_NOISE = 2.0  # times the power of the quietest moments: what is less is noise
INAUDIBLE = 0.1  # of the noise's power, 10 dB below it: an echo that faint is nobody's trouble
ROOM = 16  # frames, half a second, of each channel's noise, to put where an echo was
NOISE_FRAMES = 125  # 4 s: nobody speaks that long without a gap
SMOOTHED = 3  # frames over which a quietest moment is sought
REMEMBERED = 1000  # frames, 32 s: longer than any utterance
LOUD = 10 ** (-25 / 10)  # of the loudest frame's power: what is less does not tell whose a recording's channels are
LEAST_VOICE = 0.3  # seconds of each voice by itself that do tell
UNSYNCHRONISED = 2  # frames, 64 ms, by which two devices' times may differ

Powers = npt.NDArray[np.float64]


class CrossTalk:
    """Takes out of each of two channels what is the echo of the voice in the other.

    A voice is in the channel that is louder by MARGIN, and leaves an echo in the other: at most its power
    less MARGIN, falling by FALL a frame after it. What is quieter there is that echo. When neither channel is
    louder, as when both talk at once, both are kept.

    ahead  frames by which an echo may come before its voice, where two devices are not of one time; the
           channels come out that much later
    """

    def __init__(self, ahead: int = 0) -> None:
        self.ahead = ahead
        self._waiting: deque[Samples] = deque()
        self._recent: deque[Powers] = deque(maxlen=SMOOTHED)
        self._quiet: deque[Powers] = deque(maxlen=NOISE_FRAMES)
        self._voices: deque[Powers] = deque(maxlen=REMEMBERED)
        self._echo: Powers = np.zeros(2)  # in each channel, of the voice in the other
        self._first = 0  # index of the first voice remembered
        self._floor: Powers = np.zeros(2)
        self._room: tuple[deque[Samples], deque[Samples]] = (deque(maxlen=ROOM), deque(maxlen=ROOM))

    def frame(self, frame: Samples) -> list[Samples]:
        """Take one frame, shape (FRAME, 2); give the frames, without echoes, that are ready: one, but for `ahead`."""
        power = np.mean(np.square(frame, dtype=np.float64), axis=0)
        self._recent.append(power)
        self._quiet.append(np.mean(self._recent, axis=0))
        self._floor = ABOVE_NOISE * np.min(self._quiet, axis=0)
        voice = np.maximum(power - self._floor, 0.0)
        if len(self._voices) == REMEMBERED:
            self._first += 1
        self._voices.append(voice)
        self._waiting.append(frame)
        if len(self._waiting) <= self.ahead:
            return []
        return [self._without_echo()]

    def rest(self) -> Iterator[Samples]:
        """The frames still held when the sound has ended."""
        while self._waiting:
            yield self._without_echo()

    def whose(self, begin: int, end: int) -> Speaker | None:
        """Who is louder by MARGIN between two samples of the stream; None: neither."""
        frames = range(max(begin // FRAME, self._first), min(-(-end // FRAME), self._first + len(self._voices)))
        examiner, patient = np.sum([self._voices[at - self._first] for at in frames] or [np.zeros(2)], axis=0)
        factor = 10 ** (MARGIN / 10)
        if examiner > factor * patient:
            return Speaker.EXAMINER
        return Speaker.PATIENT if patient > factor * examiner else None

    def _without_echo(self) -> Samples:
        frame: Samples = self._waiting.popleft()
        last = len(self._voices) - 1
        at = last - len(self._waiting)
        left = np.max([_left_in_other(self._voices[near]) for near in range(at, last + 1)], axis=0)
        self._echo = np.maximum(left, self._echo * 10 ** (-FALL / 10))
        audible = self._echo > INAUDIBLE * self._floor
        kept: Samples = frame.copy()
        for channel, room in enumerate(self._room):
            voice = self._voices[at][channel]
            if audible[channel] and voice <= self._echo[channel]:
                kept[:, channel] = room[0] if room else 0.0
                room.rotate(-1)
            elif not audible[channel] and voice == 0.0:
                room.append(frame[:, channel].copy())
        return kept


def _left_in_other(voice: Powers) -> Powers:
    """The most that the louder channel's voice leaves in the other one."""
    most = voice[::-1] * 10 ** (-MARGIN / 10)
    return np.where(voice <= most, most, 0.0)


def hears_two(sound: Samples) -> bool:
    """Whether a recording of shape (length, channels) holds the examiner and the patient each in a channel of
    their own, rather than one sound twice: in some of it one channel is louder by MARGIN, in some of it the
    other.
    """
    if sound.ndim != 2 or sound.shape[1] != 2:
        return False
    whole = len(sound) // FRAME * FRAME
    frames = sound[:whole].reshape(-1, FRAME, 2)
    power = np.mean(np.square(frames, dtype=np.float64), axis=1)
    loud = power[power.max(axis=1) > LOUD * max(float(power.max(initial=0.0)), 1e-12)]
    if not len(loud):
        return False
    apart = 10 * np.log10((loud[:, 0] + 1e-12) / (loud[:, 1] + 1e-12))
    enough = max(LEAST_VOICE * RATE / FRAME, 1.0)
    return bool(np.sum(apart > MARGIN) >= enough and np.sum(apart < -MARGIN) >= enough)

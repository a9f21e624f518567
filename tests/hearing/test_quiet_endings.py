"""Sentences whose last words are quieter than the first, with no silence around: a number is not heard cut short."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from assistant.grammar import LISTENING_FOR, Grammars
from assistant.hearing.audio import foreground
from assistant.hearing.recogniser import Samples
from assistant.hearing.whisper import WhisperRecogniser
from assistant.protocol.meanings import Meaning

QUIETER = 10 ** (-9 / 20)  # 9 dB: within what the voice falls at the end of a sentence


def fading(sound: Samples, share: float) -> Samples:
    loud = np.flatnonzero(np.abs(sound) > 0.02)
    sound = sound[loud[0] : loud[-1]].copy()
    sound[-int(share * len(sound)) :] *= QUIETER
    return sound


@pytest.mark.parametrize(
    ("words", "share", "meaning", "value"),
    [
        ("vision twenty over twenty five minus two", 0.3, Meaning.SET_ACUITY, "20/25-2"),
        ("sphere plus four point seven five", 0.2, Meaning.SET_SPHERE, 475),
    ],
)
def test_the_last_words_of_a_number_count_however_quiet(
    whisper: WhisperRecogniser,
    grammars: Grammars,
    say: Callable[[str], Samples],
    words: str,
    share: float,
    meaning: Meaning,
    value: object,
) -> None:
    sound = fading(say(words), share)
    assert len(foreground(sound)) < len(sound) * 0.85  # or this shows nothing
    heard = whisper.hear(sound, grammars.union(*LISTENING_FOR["command"]))
    assert heard.accepted and (heard.meaning, heard.value) == (meaning, value), heard

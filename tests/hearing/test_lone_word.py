"""The decoder told of single words: "one" and "two" by voices it is not tuned to, and other words."""

from __future__ import annotations

import numpy as np
import pytest

from assistant.hearing.audio import read, spoken
from assistant.hearing.decoder import Decoder
from assistant.hearing.lone_word import LoneWord
from assistant.hearing.second_opinion import ANSWERS
from assistant.hearing.whisper import SILENCE_BEFORE, packaged_model

from .sounds import silence
from .test_second_opinion import clips
from .test_whisper import Say


@pytest.fixture(scope="module")
def decoder() -> Decoder:
    return Decoder(packaged_model(), threads=1)


def test_it_tells_one_from_two_by_its_own_likelihoods(decoder: Decoder) -> None:
    lone_word = LoneWord(decoder)
    for path, words in clips():
        sound = spoken(np.concatenate([silence(0.4), read(path), silence(0.8)]))
        assert sound is not None
        told = lone_word(decoder.encode(sound, SILENCE_BEFORE))
        own, other = (told.one, told.two) if words == ANSWERS[0] else (told.two, told.one)
        assert own > 0.0 > other, path


@pytest.mark.parametrize("word", ["three", "stop", "no", "go", "six"])
def test_another_word_is_neither(decoder: Decoder, say: Say, word: str) -> None:
    told = LoneWord(decoder)(decoder.encode(say(word), SILENCE_BEFORE))
    assert max(told.one, told.two) < 0.0

"""The second opinion on "one" and "two": what it is made of, and that it knows voices it was not trained on."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from assistant.data import folder
from assistant.grammar import Grammars
from assistant.hearing.audio import read, spoken
from assistant.hearing.recogniser import RATE
from assistant.hearing.second_opinion import ANSWERS, SecondOpinion, features
from assistant.hearing.whisper import PACKAGED_SHA256, SILENCE_BEFORE, WhisperRecogniser, packaged_model

from .sounds import silence


def test_features_are_of_the_sound_alone_whole_and_by_thirds() -> None:
    """Worked by hand: 0.2 s of silence, then 0.6 s, of which each third is of another value."""
    encoded = np.full((100, 2), 9.0, np.float32)  # what lies outside must not be looked at
    encoded[10:40] = np.repeat([1.0, 2.0, 6.0], 10)[:, None]
    whole, peak, spread, *thirds = features(encoded, 0.2, 0.6).reshape(-1, 2)[:, 0]
    assert (whole, peak, *thirds) == pytest.approx((3.0, 6.0, 1.0, 2.0, 6.0))
    assert spread == pytest.approx(np.sqrt(14 / 3))  # of 1, 2, 6 about 3


def test_it_belongs_to_the_packaged_model_and_to_no_other(whisper: WhisperRecogniser, grammars: Grammars) -> None:
    assert SecondOpinion().model == PACKAGED_SHA256["model.bin"]
    words = np.random.default_rng(1).standard_normal(RATE // 2).astype(np.float32)
    grammar = grammars.get("choice")
    own, other = whisper.weigh(words, grammar), WhisperRecogniser(packaged_model(), threads=2).weigh(words, grammar)
    assert own is not None and own.opinion is not None
    assert other is not None and other.opinion is None


def clips() -> list[tuple[Path, str]]:
    """Answers in demo_audio by voices that training does not use (it uses eSpeak NG and Flite)."""
    where = folder("demo_audio")
    listed = json.loads((where / "manifest.json").read_text(encoding="utf-8"))["clips"]
    return [
        (where / clip["file"], clip["words"])
        for clip in listed
        if clip["who"] == "patient"
        and clip["words"] in ANSWERS
        and clip["voice"].startswith("kokoro")
        and "unclear" not in clip["file"]
    ]


def test_it_tells_one_from_two_in_voices_it_has_not_heard(whisper: WhisperRecogniser) -> None:
    opinion = SecondOpinion()
    said = clips()
    assert {words for _, words in said} == set(ANSWERS)
    for path, words in said:
        sound = spoken(np.concatenate([silence(0.4), read(path), silence(0.8)]))
        assert sound is not None
        odds = opinion(whisper.encoded(sound), SILENCE_BEFORE, len(sound) / RATE)
        assert (odds.one > odds.two) == (words == "one"), path.name

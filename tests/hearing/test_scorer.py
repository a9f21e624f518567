"""Likelihoods of given words, against CTranslate2's of the same model in full precision."""

from __future__ import annotations

import ctranslate2
import pytest

from assistant.commands.demo_clips import Clips, patient_voices, read_manifest
from assistant.data import folder
from assistant.hearing.decoder import Decoder, Frames
from assistant.hearing.whisper import SILENCE_BEFORE, packaged_model

TEXTS = ("one", "two", "the same", "the second one", "the second", "can't tell", "axis one hundred and seventy five")


@pytest.fixture(scope="module")
def mine() -> Decoder:
    return Decoder(packaged_model(), small=True)


@pytest.fixture(scope="module")
def theirs() -> Decoder:
    decoder = Decoder(packaged_model())
    decoder._model = ctranslate2.models.Whisper(str(packaged_model()), device="cpu", compute_type="float32")
    return decoder


@pytest.fixture(scope="module")
def frames(theirs: Decoder) -> Frames:
    every = read_manifest(folder("demo_audio"))
    voice = patient_voices(every)[0]
    clip = next(clip for clip in every if clip.voice == voice and clip.words == "one" and clip.clear)
    return theirs.encode(Clips.load(voice).sound(clip), SILENCE_BEFORE)


@pytest.mark.parametrize("context", ("", " Axis five. Sphere minus two."))
def test_every_text_and_every_beginning_is_as_likely(
    mine: Decoder, theirs: Decoder, frames: Frames, context: str
) -> None:
    leaves = [theirs.tokens(" " + text) for text in TEXTS]
    before = theirs.tokens(context) if context else ()
    expected = theirs.score(frames, leaves, before)
    found = mine.score(frames, leaves, before)
    assert set(leaves) <= found.keys() == expected.keys()
    assert found == pytest.approx(expected, abs=0.1)  # nats; GELU is by its tanh form


def test_another_sound_is_heard_anew(mine: Decoder, theirs: Decoder, frames: Frames) -> None:
    leaf = theirs.tokens(" one")
    cut = frames[:, : frames.shape[1] // 2].copy()
    first, second = mine.score(frames, [leaf])[leaf], mine.score(cut, [leaf])[leaf]
    assert second == pytest.approx(theirs.score(cut, [leaf])[leaf], abs=0.1)
    assert abs(first - second) > 0.2


def test_nothing_to_score_is_nothing(mine: Decoder, frames: Frames) -> None:
    assert mine.score(frames, []) == {}

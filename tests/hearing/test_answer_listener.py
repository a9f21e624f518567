"""The listener for "one" and "two": its arithmetic against CTranslate2's, and voices it was not trained on."""

from __future__ import annotations

from pathlib import Path

import ctranslate2
import numpy as np
import pytest

from assistant.commands.demo_clips import Clip, Clips, patient_voices, read_manifest
from assistant.data import folder
from assistant.hearing.answer_listener import AnswerListener, features
from assistant.hearing.audio import spoken
from assistant.hearing.model_file import weights
from assistant.hearing.recogniser import RATE, Samples
from assistant.hearing.second_opinion import ANSWERS
from assistant.hearing.whisper import packaged_model

from .sounds import silence

EVERY = read_manifest(folder("demo_audio"))
CLIPS = [clip for clip in EVERY if clip.voice in patient_voices(EVERY)]


@pytest.fixture(scope="module")
def listener() -> AnswerListener:
    return AnswerListener()


def sound_of(clip: Clip) -> Samples | None:
    return spoken(np.concatenate([silence(0.4), Clips.load(clip.voice).sound(clip), silence(0.8)]))


def test_the_layers_are_those_of_the_packaged_model(tmp_path: Path) -> None:
    """Given that model's weights, it makes of a sound what CTranslate2 makes of it."""
    kept = {}
    for name, values in weights(packaged_model() / "model.bin", "encoder").items():
        name = name.replace("layer_norm/", "norm/").replace("layer_", "").replace("/", ".")
        for was, now in (
            ("self_attention.norm", "before"),
            ("ffn.norm", "between"),
            ("self_attention.linear_0", "in"),
            ("self_attention.linear_1", "out"),
            ("ffn.linear_0", "up"),
            ("ffn.linear_1", "down"),
            ("position_encodings.encodings", "positions"),
        ):
            name = name.replace(was, now)
        name = name.replace("norm.", "after.") if name.startswith("norm") else name
        kept[name] = values.reshape(len(values), -1) if name.endswith("weight") else values
    np.savez(tmp_path / "weights.npz", **{name: values for name, values in kept.items() if values.ndim})
    mel = features(np.random.default_rng(1).standard_normal(RATE).astype(np.float32))
    mine = AnswerListener(tmp_path / "weights.npz")._encoded(mel)
    model = ctranslate2.models.Whisper(str(packaged_model()), device="cpu", compute_type="float32")
    theirs = model.encode(ctranslate2.StorageView.from_array(np.ascontiguousarray(mel.T[None])))
    assert mine == pytest.approx(np.asarray(theirs)[0], abs=0.1)  # of values up to about 10; GELU is by its tanh form


@pytest.mark.parametrize("words", ANSWERS)
def test_it_is_sure_of_voices_it_has_not_heard(listener: AnswerListener, words: str) -> None:
    """Kokoro's voices; it was trained on people, eSpeak NG and Flite."""
    said = [clip for clip in CLIPS if clip.words == words and clip.clear and clip.voice.startswith("kokoro")]
    assert said
    for clip in said:
        sound = sound_of(clip)
        assert sound is not None
        odds = listener(sound)
        own, other = (odds.one, odds.two) if words == "one" else (odds.two, odds.one)
        assert own > 1.0 > other, clip.file


def test_other_answers_are_neither(listener: AnswerListener) -> None:
    others = [clip for clip in CLIPS if clip.words in ("yes", "no", "same", "nothing", "about the same") and clip.clear]
    assert others
    for clip in others:
        sound = sound_of(clip)
        assert sound is not None
        odds = listener(sound)
        assert max(odds.one, odds.two) < 0, clip.file


def test_a_mumbled_word_is_not_the_other_one(listener: AnswerListener) -> None:
    """Of a mumbled "one" only the low part comes out, and that is like the "oo" of "two"."""
    mumbled = [clip for clip in CLIPS if not clip.clear and "mumbled" in clip.file]
    assert mumbled
    for clip in mumbled:
        sound = sound_of(clip)
        if sound is not None:
            odds = listener(sound)
            assert (odds.two if clip.words == "one" else odds.one) < 0.5, clip.file

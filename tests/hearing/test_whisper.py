"""The embedded recogniser on synthetic and on human speech: what is heard, and what is left alone."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from assistant.errors import UserError
from assistant.grammar import LISTENING_FOR, Grammars
from assistant.hearing.audio import read, spoken
from assistant.hearing.recogniser import RATE, Samples
from assistant.hearing.whisper import WhisperRecogniser, packaged_model, sha256, verify_packaged
from assistant.protocol.meanings import Meaning, Outcome

from .sounds import silence

Say = Callable[[str], Samples]

SAID = {
    "choice": {
        "one": Meaning.FIRST,
        "two": Meaning.SECOND,
        "number two": Meaning.SECOND,
        "the second one": Meaning.SECOND,
        "about the same": Meaning.SAME,
        "can't tell": Meaning.UNSURE,
        "show me again": Meaning.AGAIN,
        "which is better, one or two": Meaning.QUESTION,
    },
    "legible": {
        "yes": Meaning.YES,
        "no": Meaning.NO,
        "I can't read any of it": Meaning.NO,
        "just barely": Meaning.YES,
        "um, yes I think": Meaning.YES,
    },
}
COMMANDS = {
    "sphere minus two point two five": (Meaning.SET_SPHERE, -225),
    "sphere plus one point seven five": (Meaning.SET_SPHERE, 175),
    "axis one seventy five": (Meaning.SET_AXIS, 175),
    "axis one hundred sixty two": (Meaning.SET_AXIS, 162),
    "axis ninety": (Meaning.SET_AXIS, 90),
    "cylinder minus six point five": (Meaning.SET_CYLINDER, -650),  # written "ceiling" or "silling" by itself
    "near add plus two point two five": (Meaning.SET_ADD, 225),  # "near and"
    "p d sixty four point five": (Meaning.SET_PD, 64.5),  # "B. D."
    "no cylinder": (Meaning.SET_CYLINDER, 0),  # a number without one
    "read back": (Meaning.READ_BACK, None),
    "switch to the left eye": (Meaning.SWITCH_EYE, "left"),
    "next": (Meaning.NEXT, None),
}


def heard(whisper: WhisperRecogniser, grammars: Grammars, state: str, audio: Samples):
    speech = spoken(np.concatenate([silence(0.4), audio, silence(0.8)]))
    assert speech is not None
    return whisper.hear(speech, grammars.union(*LISTENING_FOR[state]))


@pytest.mark.parametrize(("state", "words"), [(state, words) for state, said in SAID.items() for words in said])
def test_answers_by_a_synthetic_voice(
    whisper: WhisperRecogniser, grammars: Grammars, say: Say, state: str, words: str
) -> None:
    result = heard(whisper, grammars, state, say(words))
    assert result.accepted and result.meaning is SAID[state][words], result
    assert result.score is not None and result.by is None and result.after is None


# Known to fall short: this voice's "axis ninety" is written "x is i". It is asked again, never taken for another value.
FALLS_SHORT = ("axis ninety",)


@pytest.mark.parametrize("words", FALLS_SHORT)
def test_what_falls_short_is_asked_again(whisper: WhisperRecogniser, grammars: Grammars, say: Say, words: str) -> None:
    result = heard(whisper, grammars, "command", say(words))
    assert not result.accepted or (result.meaning, result.value) == COMMANDS[words], result


@pytest.mark.parametrize("words", [words for words in COMMANDS if words not in FALLS_SHORT])
def test_commands_by_a_synthetic_voice(whisper: WhisperRecogniser, grammars: Grammars, say: Say, words: str) -> None:
    result = heard(whisper, grammars, "command", say(words))
    assert (result.meaning, result.value) == COMMANDS[words], result


@pytest.mark.parametrize("words", COMMANDS)
def test_no_command_is_taken_for_another(whisper: WhisperRecogniser, grammars: Grammars, say: Say, words: str) -> None:
    result = heard(whisper, grammars, "command", say(words))
    assert not result.accepted or (result.meaning, result.value) == COMMANDS[words], result


@pytest.mark.parametrize(
    "words", ["right", "left", "go", "stop", "my daughter drove me here today", "five six seven eight", "hello there"]
)
def test_other_speech_is_no_answer(whisper: WhisperRecogniser, grammars: Grammars, say: Say, words: str) -> None:
    assert not heard(whisper, grammars, "choice", say(words)).accepted


def test_a_power_a_breath_away_from_an_answer_is_none(whisper: WhisperRecogniser, grammars: Grammars, say: Say) -> None:
    for words in ("plus one", "minus two"):
        speech = spoken(np.concatenate([silence(0.4), say(words), silence(0.8)]))
        assert speech is not None
        assert not whisper.hear(speech, grammars.union("choice", "command", "common")).accepted, words


def test_the_examiners_question_is_no_answer(whisper: WhisperRecogniser, grammars: Grammars, say: Say) -> None:
    result = heard(whisper, grammars, "choice", say("better one, or better two"))
    assert result.meaning is Meaning.QUESTION or not result.accepted


def test_silence_noise_and_next_to_nothing(whisper: WhisperRecogniser, grammars: Grammars) -> None:
    grammar = grammars.get("choice")
    noise = (0.02 * np.random.default_rng(0).standard_normal(RATE)).astype(np.float32)
    assert whisper.hear(silence(1.0), grammar).outcome is Outcome.SILENCE
    assert whisper.hear(silence(0.0), grammar).outcome is Outcome.SILENCE
    assert not whisper.hear(noise, grammar).accepted
    assert not whisper.hear(noise[:400], grammar).accepted
    assert not whisper.hear(np.tile(noise, 30), grammar).accepted


def test_the_same_sound_is_heard_the_same_again(whisper: WhisperRecogniser, grammars: Grammars, say: Say) -> None:
    grammar = grammars.union("choice", "command", "common")
    assert whisper.hear(say("two"), grammar) == whisper.hear(say("two"), grammar)


def test_likelihoods_do_not_depend_on_what_else_is_listened_for(
    whisper: WhisperRecogniser, grammars: Grammars, say: Say
) -> None:
    audio = say("one")
    alone = whisper.weigh(audio, grammars.get("choice"))
    among = whisper.weigh(audio, grammars.union("choice", "command", "common"))
    assert alone is not None and among is not None

    def of(weighing, meaning):
        return max(one.logp for one in weighing.candidates if one.parsed.meaning is meaning)

    for meaning in (Meaning.FIRST, Meaning.SECOND):
        # Scored in other batches, sums round otherwise: 0.11 nats were seen. A tenth of the smallest margin, 1.5, is
        # allowed.
        assert of(alone, meaning) == pytest.approx(of(among, meaning), abs=0.15)
    assert alone.free_logp == among.free_logp


def test_human_ones_and_twos(whisper: WhisperRecogniser, grammars: Grammars, corpus: list[dict[str, str]]) -> None:
    """Every fifth of the human recordings: most are right, none is taken for the other."""
    grammar = grammars.get("choice")
    wanted = {"one": Meaning.FIRST, "two": Meaning.SECOND}
    rows = [row for row in corpus if row["text"] in wanted][::5]
    right = 0
    for row in rows:
        speech = spoken(read(Path(row["path"])))
        if speech is None:
            continue
        result = whisper.hear(speech, grammar)
        if result.accepted:
            assert result.meaning is wanted[row["text"]], row["file"]
            right += 1
    assert len(rows) > 40 and right >= 0.9 * len(rows)


def test_human_speech_about_something_else(
    whisper: WhisperRecogniser, grammars: Grammars, corpus: list[dict[str, str]]
) -> None:
    """Every twelfth clip of other words, names, number strings and sentences: hardly one becomes an answer."""
    grammar = grammars.get("choice")
    rows = [row for row in corpus if grammar.parse(row["text"]) is None][::12]
    accepted = []
    for row in rows:
        speech = spoken(read(Path(row["path"])))
        if speech is not None and (result := whisper.hear(speech, grammar)).accepted:
            accepted.append((row["file"], row["text"], result.text))
    assert len(rows) > 40 and len(accepted) <= 2, accepted


def test_the_packaged_weights_are_the_ones_measured(tmp_path: Path) -> None:
    verify_packaged(packaged_model())
    (tmp_path / "tokenizer.json").write_bytes((packaged_model() / "tokenizer.json").read_bytes())
    with pytest.raises(UserError, match="lacks model"):
        verify_packaged(tmp_path)
    (tmp_path / "model.bin").write_bytes(b"something else")
    with pytest.raises(UserError, match="SHA-256"):
        verify_packaged(tmp_path)


def test_sha256_of_a_known_text(tmp_path: Path) -> None:
    """FIPS 180-2, appendix B.1: the digest of "abc"."""
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    assert sha256(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_a_users_own_model_folder(tmp_path: Path, grammars: Grammars, say: Say) -> None:
    own = tmp_path / "my-model"
    shutil.copytree(packaged_model(), own)
    mine = WhisperRecogniser(own, threads=2)
    assert (mine.name, mine.model) == ("whisper", "my-model")
    assert mine.hear(say("two"), grammars.get("choice")).meaning is Meaning.SECOND


@pytest.mark.parametrize(
    ("files", "says"),
    [((), "has no model.bin"), (("model.bin",), "has no tokenizer.json"), (("model.bin", "tokenizer.json"), "used")],
)
def test_a_folder_that_is_no_model_is_told_in_one_line(tmp_path: Path, files: tuple[str, ...], says: str) -> None:
    for name in files:
        (tmp_path / name).write_text("nothing")
    with pytest.raises(UserError) as error:
        WhisperRecogniser(tmp_path)
    assert says in str(error.value) and "\n" not in str(error.value)
    with pytest.raises(UserError, match="no model folder"):
        WhisperRecogniser(tmp_path / "nowhere")

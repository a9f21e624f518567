"""The parts of sentences with numbers: put together again in any form, they mean what they meant."""

from __future__ import annotations

import itertools

import pytest

from assistant.grammar import LISTENING_FOR, Grammar, Grammars
from assistant.hearing.sentences import Sentences, capitals, sounding_alike


@pytest.fixture
def commands(grammars: Grammars) -> Grammar:
    return grammars.union(*LISTENING_FOR["command"])


def test_every_sentence_with_a_number_begins_with_what_may_stand_before_one(commands: Grammar) -> None:
    sentences = Sentences.of(commands)
    assert {"sphere", "axis", "cylinder", "p d", "near add", "vision"} <= set(sentences.names)
    assert "sphere to" not in sentences.names  # goes on from "sphere"
    assert sentences.first == {"plus", "minus", "plano"}
    for phrase in itertools.islice(commands.number_phrases(), 0, None, 5003):
        words = phrase.text.split()
        named = [name for name in sentences.names if f"{phrase.text} ".startswith(f"{name} ")]
        assert named or words[0] in sentences.first, phrase.text
        assert set(words) <= sentences.words, phrase.text


def test_every_number_is_found_whole_among_the_words(commands: Grammar) -> None:
    sentences = Sentences.of(commands)
    assert {"cylinder", "sphere please"} <= set(sentences.after)
    for phrase in itertools.islice(commands.number_phrases(), 0, None, 5003):
        words = tuple(phrase.text.split())
        spans = list(sentences.numbers(words))
        assert len(spans) == 1, phrase.text
        begin, end = spans[0]
        assert " ".join(words[:begin]) in ("", *sentences.names) or (
            begin and words[begin - 1] in {"to", "at", "is", "of"}
        )
        assert " ".join(words[end:]) in ("", "please", *sentences.after), phrase.text


def test_numbers_are_found_one_after_another(commands: Grammar) -> None:
    words = ("sphere", "minus", "two", "fifty", "axis", "ninety", "please")
    assert list(Sentences.of(commands).numbers(words)) == [(1, 4), (5, 6)]


def test_sentences_are_written_with_capitals() -> None:
    assert capitals("sphere minus two") == "Sphere minus two"
    assert capitals("p d sixty three") == "PD sixty three"
    assert capitals("near p d of sixty") == "Near PD of sixty"


@pytest.mark.parametrize(
    ("said", "like"),
    [
        ("axis fifteen", {"axis fifty"}),
        ("axis fifty", {"axis fifteen"}),
        ("p d sixteen", {"p d sixty"}),
        ("minus ten fifteen sphere", {"minus ten fifty sphere"}),  # 10.15 is on no dial, 10.50 is
        ("minus three fifty sphere", set()),  # 3.15 is on no dial
        ("axis ninety five", set()),
        ("add plus one seventy five", {"add plus oh seventy five"}),
        ("add plus oh seventy five", {"add plus one seventy five", "add plus four seventy five"}),
    ],
)
def test_words_that_sound_alike(commands: Grammar, said: str, like: set[str]) -> None:
    parsed = commands.parse(said)
    assert parsed is not None
    assert {other.text for other in sounding_alike(commands, parsed)} == like

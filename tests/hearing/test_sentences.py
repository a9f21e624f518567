"""The parts of sentences with numbers: put together again in any form, they mean what they meant."""

from __future__ import annotations

import itertools

import pytest

from assistant.grammar import LISTENING_FOR, Grammar, Grammars
from assistant.hearing.sentences import Sentences, sounding_alike, written_names


@pytest.fixture
def commands(grammars: Grammars) -> Grammar:
    return grammars.union(*LISTENING_FOR["command"])


def test_every_sentence_with_a_number_begins_with_what_may_stand_before_one(commands: Grammar) -> None:
    sentences = Sentences.of(commands)
    assert {"", "sphere", "axis", "cylinder", "p d", "near add", "vision"} <= sentences.before.keys()
    assert "sphere to" not in sentences.before  # goes on from "sphere"
    assert sentences.before["sphere"] >= {"to", "plus", "minus", "plano"} and "seventy" in sentences.before["axis"]
    assert sentences.before[""] == {"plus", "minus", "plano"}
    for phrase in itertools.islice(commands.number_phrases(), 0, None, 5003):
        named = [before for before in sentences.before if f"{phrase.text} ".startswith(f"{before} ".lstrip())]
        rest = phrase.text.removeprefix(max(named, key=len)).split()
        assert rest[0] in sentences.before[max(named, key=len)], phrase.text
        assert set(rest) <= sentences.words, phrase.text


def test_a_sentence_rewritten_means_the_same(commands: Grammar) -> None:
    sentences = Sentences.of(commands)
    for phrase in itertools.islice(commands.number_phrases(), 0, None, 5003):
        parsed = commands.parse(phrase.text)
        assert parsed is not None
        forms = list(sentences.rewritten(parsed))
        assert forms, phrase.text
        for form in forms:
            again = commands.parse(form)
            assert again is not None, (phrase.text, form)
            assert (again.meaning, again.value) == (parsed.meaning, parsed.value), (phrase.text, form)


def test_a_sentence_is_rewritten_in_figures_and_in_words(commands: Grammar) -> None:
    parsed = commands.parse("cylinder minus two and a quarter please")
    assert parsed is not None
    forms = set(Sentences.of(commands).rewritten(parsed))
    assert {"cylinder -2.25 please", "Cylinder minus 2.25 please", "Cylinder minus two and a quarter please"} <= forms


def test_initials_are_written_in_capitals() -> None:
    assert written_names("p d 63") == ("PD 63", "P.D. 63")
    assert written_names("near p d of") == ("near PD of", "Near PD of", "near P.D. of", "Near P.D. of")


@pytest.mark.parametrize(
    ("said", "like"),
    [
        ("axis fifteen", {"axis fifty"}),
        ("axis fifty", {"axis fifteen"}),
        ("p d sixteen", {"p d sixty"}),
        ("minus ten fifteen sphere", {"minus ten fifty sphere"}),  # 10.15 is on no dial, 10.50 is
        ("minus two fifty sphere", set()),  # 2.15 is on no dial
        ("axis ninety five", set()),
    ],
)
def test_a_teen_sounds_like_a_ten(commands: Grammar, said: str, like: set[str]) -> None:
    parsed = commands.parse(said)
    assert parsed is not None
    assert {other.text for other in sounding_alike(commands, parsed)} == like

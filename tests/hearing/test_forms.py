"""Written forms and back: whatever a recogniser may write for a phrase means what the phrase means."""

from __future__ import annotations

import pytest

from assistant.grammar import LISTENING_FOR, Grammars
from assistant.hearing.forms import alphabet, homophones, written


@pytest.mark.parametrize("state", sorted(LISTENING_FOR))
def test_every_written_form_means_its_phrase(grammars: Grammars, state: str) -> None:
    grammar = grammars.union(*LISTENING_FOR[state])
    for phrase in grammar.phrases(300):
        for form in written(phrase.text):
            parsed = grammar.parse(form) or grammar.parse(homophones(form))
            assert parsed is not None, (phrase.text, form)
            assert (parsed.meaning, parsed.value) == (phrase.meaning, phrase.value), (phrase.text, form)


def test_sound_alikes_stand_for_whole_answers_only() -> None:
    assert homophones("To.") == "two" and homophones(" Too") == "two" and homophones("Won") == "one"
    assert homophones("to the left") == "to the left"
    assert homophones("I won") == "I won"


def test_the_alphabet_holds_words_numbers_and_signs() -> None:
    pieces = alphabet({"sphere", "one", "i'm"})
    assert {"sphere", "Sphere", "I'm", "-", ".", "0", "25", "175", "200"} <= pieces
    assert "175" not in alphabet({"yes", "no"})

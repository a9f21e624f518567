"""Typed text becomes the words one would say. Expected words: plain English reading, no source."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.grammar.normalise import normalise, spoken_words


@pytest.mark.parametrize(
    ("typed", "spoken"),
    [
        ("Two.", "two"),
        ("  Better ONE,\tor   two?? ", "better one or two"),
        ("20/25", "twenty over twenty five"),
        ("20 / 25", "twenty over twenty five"),
        ("20/25-2", "twenty over twenty five minus two"),
        ("20/30 +1", "twenty over thirty plus one"),
        ("20/400", "twenty over four hundred"),
        ("6/7.5", "six over seven point five"),
        ("-2.25", "minus two point two five"),
        ("−2.25", "minus two point two five"),  # U+2212
        ("–2.25", "minus two point two five"),  # an en dash, as word processors put it
        ("sphere - 2.25", "sphere minus two point two five"),
        ("+1.5", "plus one point five"),
        ("-.50", "minus point five zero"),
        ("0.75", "zero point seven five"),
        ("2½", "two and a half"),
        ("+½", "plus a half"),
        ("-1¼", "minus one and a quarter"),
        ("175", "one seventy five"),
        ("axis 090°", "axis zero nine zero degrees"),
        ("axis 05", "axis zero five"),
        ("62.5", "sixty two point five"),
        ("62mm", "sixty two mm"),
        ("P.D. 62", "p d sixty two"),
        ("p.d. 62", "p d sixty two"),
        ("PD62", "p d sixty two"),
        ("O.K.", "okay"),
        ("OK", "okay"),
        ("twenty-five", "twenty five"),
        ("can’t tell", "can't tell"),
        ("Cant tell", "can't tell"),
        ("one's", "one's"),
        ("the 2nd one", "the second one"),
        ("#2", "number two"),
        ("2025", "twenty twenty five"),
        ("2200", "twenty two hundred"),
        ("2000", "two zero zero zero"),
        ("20-25", "twenty twenty five"),
        ("1000", "one zero zero zero"),
        ("12345", "one two three four five"),
        ("11 19 20 99", "eleven nineteen twenty ninety nine"),
        ("100 105 999", "one hundred one oh five nine ninety nine"),
        ("-225", "minus two twenty five"),
        ("1/2", "a half"),
        ("minus 1/4", "minus a quarter"),
        ("-3/4", "minus three quarters"),
        ("+2 1/2", "plus two and a half"),
        ("2-1/2", "two and a half"),
        ("62 ½", "sixty two and a half"),
        ("1/20", "one over twenty"),
        ("21/2", "twenty one over two"),
        ("one—two", "one two"),  # an em dash is a pause, not a sign
        ("one-2", "one two"),  # a hyphen inside a word is no sign
        ("...!?", ""),
        ("", ""),
    ],
)
def test_typed_text_becomes_spoken_words(typed: str, spoken: str) -> None:
    assert normalise(typed) == spoken


def test_a_word_knows_where_its_text_begins() -> None:
    text = "Note: OD 20/25, dry"
    assert [(word.text, text[word.start :]) for word in spoken_words(text)][:3] == [
        ("note", "Note: OD 20/25, dry"),
        ("od", "OD 20/25, dry"),
        ("twenty", "20/25, dry"),
    ]


@given(st.text())
def test_any_text_has_words_and_they_are_stable(text: str) -> None:
    once = normalise(text)
    assert normalise(once) == once
    starts = [word.start for word in spoken_words(text)]
    assert starts == sorted(starts) and all(0 <= start < len(text) for start in starts)

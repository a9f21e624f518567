"""Spoken phrases as a recogniser writes them, and back."""

from __future__ import annotations

import re
from collections.abc import Iterable

from ..grammar.normalise import DIGITS, TEENS, TENS

_DIGITS = {word: str(value) for value, word in enumerate((*DIGITS, "ten"))}
_NAMES = {"i": "I", "i'm": "I'm", "i'd": "I'd", "i'll": "I'll", "i've": "I've"}

# Whole utterances that sound exactly like an answer and are no sentence themselves.
_SOUND_ALIKE = {
    "to": "two",
    "too": "two",
    "won": "one",
    "know": "no",
}

# Words inside a number that sound exactly like a digit.
_IN_NUMBERS = {"to": "two", "too": "two", "for": "four", "ate": "eight", "won": "one", "or": "oh", "all": "oh"}
_SIGNS_SAID = ("plus", "minus")
_NUMBER_WORDS = frozenset((*DIGITS, *TEENS, *TENS[2:], "point", "hundred", "oh"))

# What numbers are written with.
_SIGNS = ("-", "+", ".", ",", "/", "½", "¼", "¾", "°")
_LARGEST_NUMBER = 200  # degrees, millimetres, hundredths and chart lines are written with numbers up to it


def written(phrase: str) -> tuple[str, ...]:
    """The ways a recogniser may write a spoken phrase: "two" gives two, Two, two., Two., 2, 2."""
    words = phrase.split()
    spelled = " ".join(_NAMES.get(word, word) for word in words)
    ways = [spelled, " ".join(_DIGITS.get(word, _NAMES.get(word, word)) for word in words)]
    ways += [alike for alike, word in _SOUND_ALIKE.items() if word == phrase]
    forms: dict[str, None] = {}
    for way in ways:
        for form in (way, way[:1].upper() + way[1:]):
            forms[form] = None
            forms[form + "."] = None
    return tuple(forms)


def homophones(text: str) -> str:
    """A text with words put right that sound like others: a whole answer, or next to a number.

    "To." is "two"; "axis one to one" is "axis one two one", "plus or seventy five" "plus oh seventy five"; any other
    text is unchanged.
    """
    bare = re.sub(r"[^a-z ]", "", text.lower()).strip()
    if bare in _SOUND_ALIKE:
        return _SOUND_ALIKE[bare]
    words = text.split()
    for at, word in enumerate(words[1:], 1):
        alike = _IN_NUMBERS.get(word.lower().strip(".,"))
        number_before = _is_number(words[at - 1]) or words[at - 1].lower() in _SIGNS_SAID
        if alike and number_before and (at + 1 == len(words) or _is_number(words[at + 1])):
            words[at] = alike
    return " ".join(words)


def _is_number(word: str) -> bool:
    bare = word.lower().strip(".,-")
    return bare in _NUMBER_WORDS or bare.isdecimal()


def alphabet(words: Iterable[str]) -> set[str]:
    """The pieces of which every sentence of a grammar with these words can be written."""
    words = set(words)
    pieces: set[str] = set(_SIGNS)
    numbers = False
    for word in words:
        name = _NAMES.get(word, word)
        pieces.update((name, name[:1].upper() + name[1:]))
        numbers = numbers or word in _DIGITS
    initials = "".join(word for word in ("p", "d") if word in words)
    if initials == "pd":
        pieces.update(("PD", "P.D."))
    if numbers:
        pieces.update(str(number) for number in range(_LARGEST_NUMBER + 1))
        pieces.update(("2025", "2015", "2030", "2040", "2050", "2060", "2070", "2080", "00", "25", "50", "75"))
    return pieces

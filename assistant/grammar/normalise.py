"""Typed text as the words one would say: "20/25-2" is "twenty over twenty five minus two".

Case, punctuation and typographic signs go; digits become words; a sign before a number becomes "plus" or
"minus". Every word keeps its place in the text, so that a note's words can be had as they were written.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

DIGITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
TEENS = (
    "ten",
    "eleven",
    "twelve",
    "thirteen",
    "fourteen",
    "fifteen",
    "sixteen",
    "seventeen",
    "eighteen",
    "nineteen",
)
TENS = ("", "", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")

# One spelling a word: what people type, or a recogniser writes, for a word the grammars spell otherwise.
SPELLINGS = {
    "ok": "okay",
    "cant": "can't",
    "dont": "don't",
    "doesnt": "doesn't",
    "isnt": "isn't",
    "theyre": "they're",
    "thats": "that's",
    "whats": "what's",
    "im": "i'm",
    "ive": "i've",
    "millimeters": "millimetres",
    "millimeter": "millimetres",
    "millimetre": "millimetres",
    "diopter": "dioptre",
    "diopters": "dioptres",
    "fourty": "forty",
    "alright": "all right",
    "pd": "p d",
    "cyl": "cylinder",
    "sph": "sphere",
    "va": "vision",
    "1st": "first",
    "2nd": "second",
}
_DRAWN_OUT = (  # hesitations as people write them, however long
    (re.compile(r"u+h*m+|e+rm+"), "um"),
    (re.compile(r"u+h+"), "uh"),
    (re.compile(r"e+r+"), "er"),
    (re.compile(r"h+m+"), "hmm"),
    (re.compile(r"a+h+"), "ah"),
)
_FRACTIONS = {"½": "a half", "¼": "a quarter", "¾": "three quarters"}
_FRACTIONS |= {"1/2": "a half", "1/4": "a quarter", "3/4": "three quarters"}
_SIGN_WORDS = {"°": "degrees", "&": "and", "#": "number"}
_DASHES = "\u2010\u2011\u2012\u2013\u2212-"  # hyphens, figure dash, en dash, minus; an em dash is a pause

_SIMPLE = r"(?:1/2|[13]/4)(?!\d)"

_PART = re.compile(
    rf"""(?P<ordinal>1st|2nd)(?!\w)
      | (?!{_SIMPLE}) (?P<top>\d{{1,3}}) \s*/\s* (?P<bottom>\d{{1,4}}(?:\.\d{{1,3}})?)
          (?: \s*(?P<missed>[+{_DASHES}])\s* (?P<letters>\d{{1,2}})(?!\.?\d) )?
      | (?: (?<![\w.])(?P<sign>[+{_DASHES}])\s* )?
          (?: (?P<part>[½¼¾]|{_SIMPLE})
            | (?P<whole>\d+) (?:\.(?P<rest>\d+))? (?:\s*(?P<and_sign>[½¼¾])|[\s-]+(?P<and_part>{_SIMPLE}))?
            | (?<![\w.])\.(?P<bare>\d+) )
      | (?P<initials>(?<!\w)(?:[a-z]\.){{2,}})
      | (?P<sign_word>[°&#])
      | (?P<word>[^\W\d_]+(?:['’][^\W\d_]+)*)
    """,
    re.VERBOSE | re.IGNORECASE,
)


@dataclass(frozen=True)
class Word:
    """One spoken word, and where in the text the piece it comes from begins."""

    text: str
    start: int


def cardinal(number: int) -> str:
    """A whole number 0-999 in words: 162 is "one hundred sixty two"."""
    if number < 10:
        return DIGITS[number]
    if number < 20:
        return TEENS[number - 10]
    if number < 100:
        tens, ones = divmod(number, 10)
        return f"{TENS[tens]} {DIGITS[ones]}" if ones else TENS[tens]
    hundreds, rest = divmod(number, 100)
    return f"{DIGITS[hundreds]} hundred {cardinal(rest)}" if rest else f"{DIGITS[hundreds]} hundred"


def digit_by_digit(digits: str) -> str:
    """ "090" is "zero nine zero"."""
    return " ".join(DIGITS[int(digit)] for digit in digits)


def short(number: int) -> str:
    """A whole number 0-999 as it is said fast: 162 is "one sixty two", 105 "one oh five"."""
    hundreds, rest = divmod(number, 100)
    if not hundreds or not rest:
        return cardinal(number)
    return f"{DIGITS[hundreds]} {cardinal(rest) if rest > 9 else 'oh ' + DIGITS[rest]}"


def _whole(digits: str) -> str:
    # recognisers write 225 for "two twenty five", 2025 for "twenty twenty five", 2200 for "twenty two hundred"
    if len(digits) == 4 and digits[2:] == "00" and "0" not in digits[:2]:
        return f"{cardinal(int(digits[:2]))} hundred"
    if len(digits) == 4 and digits[0] != "0" and digits[2] != "0":
        return f"{cardinal(int(digits[:2]))} {cardinal(int(digits[2:]))}"
    if len(digits) > 3 or (len(digits) > 1 and digits[0] == "0"):
        return digit_by_digit(digits)
    return short(int(digits))


def _number(digits: str, rest: str | None) -> str:
    return f"{_whole(digits)} point {digit_by_digit(rest)}" if rest else _whole(digits)


def _sign(sign: str | None) -> str:
    return "" if sign is None else "plus " if sign == "+" else "minus "


def _spoken(found: re.Match[str]) -> str:
    if found["word"]:
        word = found["word"].lower().replace("’", "'")
        drawn_out = (spelled for written, spelled in _DRAWN_OUT if written.fullmatch(word))
        return SPELLINGS.get(word) or next(drawn_out, word)
    if found["ordinal"]:
        return SPELLINGS[found["ordinal"].lower()]
    if found["top"]:
        missed = f" {_sign(found['missed'])}{_whole(found['letters'])}" if found["letters"] else ""
        return f"{_whole(found['top'])} over {_number(*(found['bottom'] + '.').split('.')[:2])}{missed}"
    if found["initials"]:
        word = found["initials"].lower().replace(".", "")
        return SPELLINGS.get(word, " ".join(word))
    if found["sign_word"]:
        return _SIGN_WORDS[found["sign_word"]]
    if found["part"]:
        return _sign(found["sign"]) + _FRACTIONS[found["part"]]
    if found["bare"]:
        return f"{_sign(found['sign'])}point {digit_by_digit(found['bare'])}"
    added = found["and_sign"] or found["and_part"]
    part = f" and {_FRACTIONS[added]}" if added else ""
    return _sign(found["sign"]) + _number(found["whole"], found["rest"]) + part


def spoken_words(text: str) -> tuple[Word, ...]:
    """The words of a typed or recognised text, in order. Any text will do; what is no word is left out."""
    return tuple(Word(word, found.start()) for found in _PART.finditer(text) for word in _spoken(found).split())


def normalise(text: str) -> str:
    """The same as one string of words with single spaces. Normalising twice changes nothing."""
    return " ".join(word.text for word in spoken_words(text))

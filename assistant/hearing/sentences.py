"""The sentences that hold a number, in parts: what stands before it, and after it.

A recogniser that writes a number right often writes its name wrong ("ceiling that minus 6.25"), or hears one of two
numbers that sound alike ("fifteen", "fifty"). So the parts are looked for apart, and put together again.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

from ..grammar.grammar import Grammar, Parsed
from ..grammar.normalise import TEENS, TENS
from ..grammar.numbers import Kind, Range
from ..protocol.meanings import Outcome

_INITIALS = {"p d": "PD"}
_ALIKE: dict[str, tuple[str, ...]] = {
    **{teen: (ten,) for teen, ten in zip(TEENS[3:], TENS[3:], strict=True)},
    **{ten: (teen,) for teen, ten in zip(TEENS[3:], TENS[3:], strict=True)},
    **dict.fromkeys(("one", "two", "four"), ("oh",)),
    "oh": ("one", "four"),
}


@dataclass(frozen=True)
class Sentences:
    """What a grammar's number sentences are made of.

    names   what stands before a number, the likeliest first: "sphere", but not "sphere to", which goes on from it
    first   words of a number that begins a sentence
    after   what may follow such a number: "cylinder", "sphere please"
    words   of all of them, numbers included
    kinds   of number that they hold
    """

    names: tuple[str, ...]
    first: frozenset[str]
    after: tuple[str, ...]
    words: frozenset[str]
    kinds: tuple[Kind, ...]

    @staticmethod
    def of(grammar: Grammar) -> Sentences:
        names: dict[str, None] = {}
        first: set[str] = set()
        after: dict[str, None] = {}
        said: set[str] = set()
        kinds: dict[Kind, None] = {}
        for template in sorted(grammar.templates(), key=lambda template: len(template.parts)):
            at = next((at for at, part in enumerate(template.parts) if isinstance(part, Range)), None)
            if at is None or template.outcome is not Outcome.HEARD:
                continue
            number = template.parts[at]
            assert isinstance(number, Range)
            words = " ".join(part for part in template.parts[:at] if isinstance(part, str)).split()
            rest = [part for part in template.parts[at + 1 :] if isinstance(part, str)]
            if not any(" ".join(words[:end]) in names for end in range(1, len(words))):
                names[" ".join(words)] = None
            if not at:
                first |= _first_words(number)
                after[" ".join(rest)] = None
            said.update(words, rest, number.words())
            kinds[number.kind] = None
        names.pop("", None)
        after.pop("", None)
        return Sentences(tuple(names), frozenset(first), tuple(after), frozenset(said), tuple(kinds))

    def numbers(self, words: tuple[str, ...]) -> Iterator[tuple[int, int]]:
        """Where numbers begin and end among words: each as long as can be, one after another."""
        at = 0
        while at < len(words):
            ends = [end for kind in self.kinds for end, _ in kind.read(words, at)]
            if ends:
                yield at, max(ends)
            at = max(ends, default=at + 1)


@cache  # of a few ranges, asked for by every sentence
def _first_words(numbers: Range) -> frozenset[str]:
    return frozenset(words.split()[0] for words, _ in numbers.forms())


def capitals(text: str) -> str:
    """A sentence as it is written: "Sphere minus two", "PD sixty two"."""
    for name, initials in _INITIALS.items():
        text = f"{text} ".replace(f"{name} ", f"{initials} ").rstrip()
    return text[:1].upper() + text[1:]


def sounding_alike(grammar: Grammar, parsed: Parsed) -> list[Parsed]:
    """The sentences that differ by one word that sounds like it: "axis fifty" for "axis fifteen", "one" for "oh"."""
    words = parsed.text.split()
    found = []
    for at, word in enumerate(words):
        for alike in _ALIKE.get(word, ()):
            other = grammar.parse(" ".join((*words[:at], alike, *words[at + 1 :])))
            if other is not None and other.outcome is Outcome.HEARD and other.value != parsed.value:
                found.append(other)
    return found

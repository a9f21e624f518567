"""The sentences that hold a number, in parts: what stands before it, after it, and how all of it may be written.

A recogniser that writes a number right often writes its name wrong ("ceiling that minus 6.25"), or hears one of two
numbers that sound alike ("fifteen", "fifty"). So the parts are looked for apart, and put together again in every form.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

from ..grammar.grammar import Grammar, Parsed
from ..grammar.normalise import TEENS, TENS
from ..grammar.numbers import Range
from ..protocol.meanings import Meaning, Outcome

WRITINGS = 4  # in figures, of one number: "-2.25", "minus 2.25", "-225"; the rarer are left out
_INITIALS = {"p d": ("PD", "P.D.")}
_ALIKE = dict(itertools.chain(zip(TEENS[3:], TENS[3:], strict=True), zip(TENS[3:], TEENS[3:], strict=True)))


@dataclass(frozen=True)
class Sentences:
    """What a grammar's number sentences are made of.

    before  what stands before a number, the likeliest first ("sphere", but not "sphere to": it goes on from there), and
            the words that may follow it; "" where a sentence begins with its number
    alone   what may follow a number that begins a sentence: "cylinder", "sphere please"
    words   of all that may follow `before`, numbers included
    ranges  the numbers of each meaning
    """

    before: dict[str, frozenset[str]]
    alone: tuple[str, ...]
    words: frozenset[str]
    ranges: dict[Meaning, tuple[Range, ...]]

    @staticmethod
    def of(grammar: Grammar) -> Sentences:
        before: dict[str, frozenset[str]] = {}
        alone: dict[str, None] = {}
        said: set[str] = set()
        ranges: dict[Meaning, dict[Range, None]] = {}
        for template in sorted(grammar.templates(), key=lambda template: len(template.parts)):
            at = next((at for at, part in enumerate(template.parts) if isinstance(part, Range)), None)
            if at is None or template.outcome is not Outcome.HEARD:
                continue
            number = template.parts[at]
            assert isinstance(number, Range)
            rest = [part for part in template.parts[at + 1 :] if isinstance(part, str)]
            text = " ".join(part for part in template.parts[:at] if isinstance(part, str))
            words = text.split()
            shorter = (" ".join(words[:end]) for end in range(1, len(words)))
            known = next((one for one in shorter if one in before), text)
            more = words[len(known.split()) :]
            before[known] = before.get(known, frozenset()) | (frozenset(more[:1]) or _first_words(number))
            said.update(more)
            if not at and rest:
                alone[" ".join(rest)] = None
            said.update(rest, number.words())
            ranges.setdefault(template.meaning, {})[number] = None
        return Sentences(
            before,
            tuple(alone),
            frozenset(said),
            {meaning: tuple(found) for meaning, found in ranges.items()},
        )

    def rewritten(self, parsed: Parsed) -> Iterator[str]:
        """A sentence with its number in figures and in words."""
        words = tuple(parsed.text.split())
        for allowed in self.ranges.get(parsed.meaning, ()):
            ends = [
                (begin, end)
                for begin in range(len(words))
                for end, value in allowed.kind.read(words, begin)
                if value == parsed.value
            ]
            if not ends or parsed.value is None:
                continue
            begin, end = max(ends, key=lambda span: (span[1] - span[0], -span[0]))
            for form in (*allowed.kind.write(parsed.value)[:WRITINGS], " ".join(words[begin:end])):
                yield from written_names(" ".join((*words[:begin], form, *words[end:])))
            return


@cache  # of a few ranges, asked for by every sentence
def _first_words(numbers: Range) -> frozenset[str]:
    return frozenset(words.split()[0] for words, _ in numbers.forms())


def written_names(text: str) -> tuple[str, ...]:
    """The ways a recogniser writes the beginning of a sentence: "sphere", "Sphere"; "PD", "P.D."."""
    ways = [text]
    for name, written in _INITIALS.items():
        if f"{name} " in f"{text} ":
            ways = [text.replace(name, way, 1) for way in written]
    return tuple(dict.fromkeys(form for way in ways for form in (way, way[:1].upper() + way[1:])))


def sounding_alike(grammar: Grammar, parsed: Parsed) -> list[Parsed]:
    """The sentences that differ by one teen said for a ten: "axis fifty" for "axis fifteen"."""
    words = parsed.text.split()
    found = []
    for at, word in enumerate(words):
        if word in _ALIKE:
            other = grammar.parse(" ".join((*words[:at], _ALIKE[word], *words[at + 1 :])))
            if other is not None and other.outcome is Outcome.HEARD:
                found.append(other)
    return found

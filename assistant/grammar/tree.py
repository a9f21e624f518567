"""A linked grammar as a tree of parts: each matches words, lists what it says, and says things at random."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..protocol.meanings import Meaning
from .numbers import Range
from .numbers import Value as Number

if TYPE_CHECKING:
    from random import Random

OPTIONAL_SHARE = 0.5  # how often a sampled sentence holds an optional part: no preference


@dataclass(frozen=True)
class FreeWords:
    """The place of <spoken.words> in a template."""


Said = tuple[str | Range | FreeWords, ...]
"""Something to say, numbers left open: words, a `Range` for a number, `FreeWords` for a note's words."""


@dataclass(frozen=True)
class From:
    """Free words from this word on, before the text is known."""

    word: int


@dataclass(frozen=True)
class Sense:
    """What a stretch of words adds to the meaning of the whole."""

    meaning: Meaning | None = None
    value: Number | From | None = None
    hedged: bool = False
    doubtful: bool = False
    beyond: Range | None = None  # the range that a number is outside of
    twice: bool = False  # two meanings in one wording: a fault of the grammar file

    def join(self, other: Sense) -> Sense:
        if other is NOTHING:
            return self
        if self is NOTHING:
            return other
        return Sense(
            other.meaning if self.meaning is None else self.meaning,
            other.value if self.value is None else self.value,
            self.hedged or other.hedged,
            self.doubtful or other.doubtful,
            self.beyond or other.beyond,
            self.twice or other.twice or None not in (self.meaning, other.meaning),
        )


NOTHING = Sense()
Words = tuple[str, ...]
Match = tuple[int, Sense]
Memo = dict[tuple[int, int], tuple[Match, ...]]
Open = tuple[Said, Sense, float]


class Part(ABC):
    """A piece of a linked grammar. `first`: the words it can start with; None among them stands for any."""

    first: frozenset[str | None] = frozenset()
    nullable = False

    @abstractmethod
    def match(self, words: Words, at: int, memo: Memo) -> Iterable[Match]:
        """Every way this part fits the words from `at`: where it ends and what it adds."""

    @abstractmethod
    def templates(self) -> Iterator[Open]:
        """Everything it can say: parts, sense, share."""

    @abstractmethod
    def sample(self, rng: Random) -> tuple[Said, Sense]: ...


class Word(Part):
    def __init__(self, text: str) -> None:
        self._text = text
        self.first = frozenset({text})

    def match(self, words: Words, at: int, memo: Memo) -> Iterable[Match]:
        if at < len(words) and words[at] == self._text:
            yield at + 1, NOTHING

    def templates(self) -> Iterator[Open]:
        yield (self._text,), NOTHING, 1.0

    def sample(self, rng: Random) -> tuple[Said, Sense]:
        return (self._text,), NOTHING


class Sequence(Part):
    def __init__(self, parts: tuple[Part, ...]) -> None:
        self._parts = parts
        self.nullable = all(part.nullable for part in parts)
        first: set[str | None] = set()
        for part in parts:
            first |= part.first
            if not part.nullable:
                break
        self.first = frozenset(first)

    def match(self, words: Words, at: int, memo: Memo) -> Iterable[Match]:
        reached: list[Match] = [(at, NOTHING)]
        for part in self._parts:
            reached = [
                (end, sense.join(more)) for here, sense in reached for end, more in part.match(words, here, memo)
            ]
            if not reached:
                break
        return reached

    def templates(self) -> Iterator[Open]:
        said: list[Open] = [((), NOTHING, 1.0)]
        for part in self._parts:
            said = [
                (parts + more, sense.join(added), weight * share)
                for parts, sense, weight in said
                for more, added, share in part.templates()
            ]
        yield from said

    def sample(self, rng: Random) -> tuple[Said, Sense]:
        parts: Said = ()
        sense = NOTHING
        for part in self._parts:
            more, added = part.sample(rng)
            parts, sense = parts + more, sense.join(added)
        return parts, sense


class Choice(Part):
    """Alternatives, found by their first word."""

    def __init__(self, choices: tuple[Part, ...], weights: tuple[float, ...]) -> None:
        self._choices = choices
        self._weights = tuple(weight / sum(weights) for weight in weights)
        self.nullable = any(choice.nullable for choice in choices)
        self.first = frozenset().union(*(choice.first for choice in choices))
        anywhere = [choice for choice in choices if choice.nullable or None in choice.first]
        self._anywhere = tuple(anywhere)
        self._by_word = {
            word: tuple(choice for choice in choices if word in choice.first or choice in anywhere)
            for word in self.first
            if word is not None
        }

    def match(self, words: Words, at: int, memo: Memo) -> Iterable[Match]:
        key = (id(self), at)
        if key not in memo:
            here = self._by_word.get(words[at], self._anywhere) if at < len(words) else self._anywhere
            memo[key] = tuple(dict.fromkeys(found for choice in here for found in choice.match(words, at, memo)))
        return memo[key]

    def templates(self) -> Iterator[Open]:
        for choice, share in zip(self._choices, self._weights, strict=True):
            for parts, sense, weight in choice.templates():
                yield parts, sense, weight * share

    def sample(self, rng: Random) -> tuple[Said, Sense]:
        return rng.choices(self._choices, self._weights)[0].sample(rng)


class Null(Part):
    nullable = True

    def match(self, words: Words, at: int, memo: Memo) -> Iterable[Match]:
        yield at, NOTHING

    def templates(self) -> Iterator[Open]:
        yield (), NOTHING, 1.0

    def sample(self, rng: Random) -> tuple[Said, Sense]:
        return (), NOTHING


class Tagged(Part):
    def __init__(self, body: Part, sense: Sense) -> None:
        self._body, self._sense = body, sense
        self.first, self.nullable = body.first, body.nullable

    def match(self, words: Words, at: int, memo: Memo) -> Iterable[Match]:
        for end, sense in self._body.match(words, at, memo):
            yield end, sense.join(self._sense)

    def templates(self) -> Iterator[Open]:
        for parts, sense, weight in self._body.templates():
            yield parts, sense.join(self._sense), weight

    def sample(self, rng: Random) -> tuple[Said, Sense]:
        parts, sense = self._body.sample(rng)
        return parts, sense.join(self._sense)


class Numeral(Part):
    first = frozenset({None})

    def __init__(self, allowed: Range) -> None:
        self._allowed = allowed

    def match(self, words: Words, at: int, memo: Memo) -> Iterable[Match]:
        key = (id(self), at)
        if key not in memo:
            memo[key] = tuple(
                (end, Sense(value=value, beyond=None if self._allowed.admits(value) else self._allowed))
                for end, value in self._allowed.kind.read(words, at)
            )
        return memo[key]

    def templates(self) -> Iterator[Open]:
        yield (self._allowed,), NOTHING, 1.0

    def sample(self, rng: Random) -> tuple[Said, Sense]:
        return (self._allowed,), NOTHING


class Free(Part):
    first = frozenset({None})

    def match(self, words: Words, at: int, memo: Memo) -> Iterable[Match]:
        if at < len(words):
            yield len(words), Sense(value=From(at))

    def templates(self) -> Iterator[Open]:
        yield (FreeWords(),), NOTHING, 1.0

    def sample(self, rng: Random) -> tuple[Said, Sense]:
        return (FreeWords(),), NOTHING

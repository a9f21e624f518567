"""Grammars at work: words to a meaning, and the same grammar as a list of things to say.

A grammar file is linked (references resolved, tags and number ranges checked) into a tree of parts. Three
things are had from the one tree, so they cannot differ: what a text means (`parse`), what can be said
(`templates`, `phrases`, `words`: the recogniser's side), and a random thing to say (`sample`).

Tags in the files:

    {first}               the meaning: a name of `assistant.protocol.meanings.Meaning`
    {switch_eye left}     a meaning with a value of its own
    {hedged}              said with hesitation
    {doubtful}            words too close to something else to act on: heard, but to be asked again
    {from 1 to 180 by 1}  after a built-in number: what is in range there (see `numbers.py`)
    {lines 20/20 20/25}   after <spoken.snellen>: the chart's lines

Built-in rules: <spoken.power>, <spoken.degrees>, <spoken.count>, <spoken.snellen>; and <spoken.words>, which
takes the rest of the text as it was written (a note).

Doubt wins: where one text has two readings that agree in meaning, it is hedged or doubtful if either is.
Where two readings differ in meaning, loading fails; what loading cannot see is not understood rather than
guessed.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import TYPE_CHECKING

from ..protocol.meanings import Meaning, Outcome, Speaker
from ..protocol.questions import Question, Value
from . import jsgf
from .jsgf import GrammarError
from .normalise import normalise, spoken_words
from .numbers import KINDS, Range
from .numbers import Value as Number

if TYPE_CHECKING:
    from random import Random

MOST_TEMPLATES = 20_000  # of one grammar: beyond this a recogniser's list, and the check at load, get slow
MOST_WORDS = 60  # of an utterance: a longer text is speech about something else (a note may be longer)
OPTIONAL_SHARE = 0.5  # how often a sampled sentence holds an optional part: no preference


@dataclass(frozen=True)
class FreeWords:
    """The place of <spoken.words> in a template."""


Said = tuple[str | Range | FreeWords, ...]
"""Something to say, numbers left open: words, a `Range` for a number, `FreeWords` for a note's words."""


@dataclass(frozen=True)
class Template:
    """One wording with its numbers left open.

    `value` is the meaning's own ("left"); where a part is a `Range`, the number is the value. The weights of
    a grammar file's templates add up to 1. Where a closed template and an open one can come to the same words
    ("plus one"), the closed one is right.
    """

    parts: Said
    meaning: Meaning
    value: Number | None
    weight: float
    hedged: bool
    outcome: Outcome  # HEARD or DOUBTFUL

    @property
    def closed(self) -> bool:
        """Words only: no number and no free words in it."""
        return all(isinstance(part, str) for part in self.parts)


@dataclass(frozen=True)
class Phrase:
    """One thing to say, whole. DOUBTFUL ones are there to catch what must not pass for an answer."""

    text: str
    meaning: Meaning
    value: Number | None
    weight: float
    hedged: bool
    outcome: Outcome = Outcome.HEARD


@dataclass(frozen=True)
class Parsed:
    """What a text means.

    text          the text as spoken words
    value         as in `assistant.protocol.meanings.Heard`: hundredths of a dioptre, degrees, millimetres,
                  years, "20/25-2", "left", a note's words; None for meanings without one
    outcome       HEARD; OUT_OF_RANGE (understood, but `value` is not allowed); DOUBTFUL (ask again)
    speaker_hint  who alone says such things, None where both do
    allowed       where out of range: what is allowed, in words
    """

    text: str
    meaning: Meaning
    value: Number | None = None
    hedged: bool = False
    outcome: Outcome = Outcome.HEARD
    speaker_hint: Speaker | None = None
    allowed: str = ""


_PATIENTS = frozenset({Meaning.FIRST, Meaning.SECOND, Meaning.SAME, Meaning.UNSURE})
_EITHERS = frozenset(
    {Meaning.YES, Meaning.NO, Meaning.AGAIN, Meaning.REPEAT}
    | {Meaning.SET_ACUITY, Meaning.SET_PD, Meaning.SET_AGE}
)
_ANSWERS = _PATIENTS | {Meaning.YES, Meaning.NO}


def _hint(meaning: Meaning) -> Speaker | None:
    if meaning in _PATIENTS:
        return Speaker.PATIENT
    return None if meaning in _EITHERS else Speaker.EXAMINER


@dataclass(frozen=True)
class _From:
    """Free words from this word on, before the text is known."""

    word: int


@dataclass(frozen=True)
class _Sense:
    """What a stretch of words adds to the meaning of the whole."""

    meaning: Meaning | None = None
    value: Number | _From | None = None
    hedged: bool = False
    doubtful: bool = False
    beyond: Range | None = None  # the range that a number is outside of

    def join(self, other: _Sense) -> _Sense:
        if other is _NOTHING:
            return self
        if self is _NOTHING:
            return other
        return _Sense(
            other.meaning if self.meaning is None else self.meaning,
            other.value if self.value is None else self.value,
            self.hedged or other.hedged,
            self.doubtful or other.doubtful,
            self.beyond or other.beyond,
        )


_NOTHING = _Sense()
_Words = tuple[str, ...]
_Match = tuple[int, _Sense]
_Memo = dict[tuple[int, int], tuple[_Match, ...]]
_Open = tuple[Said, _Sense, float]


class _Part(ABC):
    """A piece of a linked grammar. `first`: the words it can start with; None among them stands for any."""

    first: frozenset[str | None] = frozenset()
    nullable = False

    @abstractmethod
    def match(self, words: _Words, at: int, memo: _Memo) -> Iterable[_Match]:
        """Every way this part fits the words from `at`: where it ends and what it adds."""

    @abstractmethod
    def templates(self) -> Iterator[_Open]:
        """Everything it can say: parts, sense, share."""

    @abstractmethod
    def sample(self, rng: Random) -> tuple[Said, _Sense]: ...


class _Word(_Part):
    def __init__(self, text: str) -> None:
        self._text = text
        self.first = frozenset({text})

    def match(self, words: _Words, at: int, memo: _Memo) -> Iterable[_Match]:
        if at < len(words) and words[at] == self._text:
            yield at + 1, _NOTHING

    def templates(self) -> Iterator[_Open]:
        yield (self._text,), _NOTHING, 1.0

    def sample(self, rng: Random) -> tuple[Said, _Sense]:
        return (self._text,), _NOTHING


class _Sequence(_Part):
    def __init__(self, parts: tuple[_Part, ...]) -> None:
        self._parts = parts
        self.nullable = all(part.nullable for part in parts)
        first: set[str | None] = set()
        for part in parts:
            first |= part.first
            if not part.nullable:
                break
        self.first = frozenset(first)

    def match(self, words: _Words, at: int, memo: _Memo) -> Iterable[_Match]:
        reached: list[_Match] = [(at, _NOTHING)]
        for part in self._parts:
            reached = [
                (end, sense.join(more))
                for here, sense in reached
                for end, more in part.match(words, here, memo)
            ]
            if not reached:
                break
        return reached

    def templates(self) -> Iterator[_Open]:
        said: list[_Open] = [((), _NOTHING, 1.0)]
        for part in self._parts:
            said = [
                (parts + more, sense.join(added), weight * share)
                for parts, sense, weight in said
                for more, added, share in part.templates()
            ]
        yield from said

    def sample(self, rng: Random) -> tuple[Said, _Sense]:
        parts: Said = ()
        sense = _NOTHING
        for part in self._parts:
            more, added = part.sample(rng)
            parts, sense = parts + more, sense.join(added)
        return parts, sense


class _Choice(_Part):
    """Alternatives, found by their first word."""

    def __init__(self, choices: tuple[_Part, ...], weights: tuple[float, ...]) -> None:
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

    def match(self, words: _Words, at: int, memo: _Memo) -> Iterable[_Match]:
        key = (id(self), at)
        if key not in memo:
            here = self._by_word.get(words[at], self._anywhere) if at < len(words) else self._anywhere
            memo[key] = tuple(
                dict.fromkeys(found for choice in here for found in choice.match(words, at, memo))
            )
        return memo[key]

    def templates(self) -> Iterator[_Open]:
        for choice, share in zip(self._choices, self._weights, strict=True):
            for parts, sense, weight in choice.templates():
                yield parts, sense, weight * share

    def sample(self, rng: Random) -> tuple[Said, _Sense]:
        return rng.choices(self._choices, self._weights)[0].sample(rng)


class _Null(_Part):
    nullable = True

    def match(self, words: _Words, at: int, memo: _Memo) -> Iterable[_Match]:
        yield at, _NOTHING

    def templates(self) -> Iterator[_Open]:
        yield (), _NOTHING, 1.0

    def sample(self, rng: Random) -> tuple[Said, _Sense]:
        return (), _NOTHING


class _Tagged(_Part):
    def __init__(self, body: _Part, sense: _Sense) -> None:
        self._body, self._sense = body, sense
        self.first, self.nullable = body.first, body.nullable

    def match(self, words: _Words, at: int, memo: _Memo) -> Iterable[_Match]:
        for end, sense in self._body.match(words, at, memo):
            yield end, sense.join(self._sense)

    def templates(self) -> Iterator[_Open]:
        for parts, sense, weight in self._body.templates():
            yield parts, sense.join(self._sense), weight

    def sample(self, rng: Random) -> tuple[Said, _Sense]:
        parts, sense = self._body.sample(rng)
        return parts, sense.join(self._sense)


class _Number(_Part):
    first = frozenset({None})

    def __init__(self, allowed: Range) -> None:
        self._allowed = allowed

    def match(self, words: _Words, at: int, memo: _Memo) -> Iterable[_Match]:
        key = (id(self), at)
        if key not in memo:
            memo[key] = tuple(
                (end, _Sense(value=value, beyond=None if self._allowed.admits(value) else self._allowed))
                for end, value in self._allowed.kind.read(words, at)
            )
        return memo[key]

    def templates(self) -> Iterator[_Open]:
        yield (self._allowed,), _NOTHING, 1.0

    def sample(self, rng: Random) -> tuple[Said, _Sense]:
        return (self._allowed,), _NOTHING


class _Free(_Part):
    first = frozenset({None})

    def match(self, words: _Words, at: int, memo: _Memo) -> Iterable[_Match]:
        if at < len(words):
            yield len(words), _Sense(value=_From(at))

    def templates(self) -> Iterator[_Open]:
        yield (FreeWords(),), _NOTHING, 1.0

    def sample(self, rng: Random) -> tuple[Said, _Sense]:
        return (FreeWords(),), _NOTHING


class _Linker:
    """Resolves references between files and turns rules into parts, each rule once."""

    def __init__(self, files: Mapping[str, jsgf.File]) -> None:
        self._files = files
        self._linked: dict[tuple[str, str], _Part] = {}
        self._within: list[tuple[str, str]] = []

    def public(self, name: str) -> _Part:
        rules = [rule for rule in self._files[name].rules.values() if rule.public]
        return _Choice(tuple(self._rule(name, rule.name) for rule in rules), (1.0,) * len(rules))

    def every_rule(self, name: str) -> None:
        """Links also the rules that nothing refers to, so that their faults are found."""
        for rule in self._files[name].rules:
            self._rule(name, rule)

    def _rule(self, file: str, name: str) -> _Part:
        key = (file, name)
        if key not in self._linked:
            self._within.append(key)
            self._linked[key] = self._part(self._files[file].rules[name].body)
            self._within.pop()
        return self._linked[key]

    def _error(self, line: int, problem: str, fix: str) -> GrammarError:
        file, rule = self._within[-1]
        return GrammarError(self._files[file].file, line, rule, problem, fix)

    def _part(self, body: jsgf.Expansion) -> _Part:
        if isinstance(body, jsgf.Token):
            return self._word(body)
        if isinstance(body, jsgf.Reference):
            return self._reference(body)
        if isinstance(body, jsgf.Sequence):
            return _Sequence(tuple(self._part(part) for part in body.parts))
        if isinstance(body, jsgf.Alternatives):
            return _Choice(tuple(self._part(choice) for choice in body.choices), body.weights)
        if isinstance(body, jsgf.Optional):
            share = (OPTIONAL_SHARE, 1 - OPTIONAL_SHARE)
            return _Choice((self._part(body.body), _Null()), share)
        if isinstance(body.body, jsgf.Reference) and body.body.name in _NUMBERS:
            return self._number(body.body, body)
        return _Tagged(self._part(body.body), self._sense(body))

    def _word(self, token: jsgf.Token) -> _Part:
        text = normalise(token.text)
        if not text or text != token.text.lower():
            fix = f"write it as it is spoken: {text}" if text else "write the word as it is spoken"
            raise self._error(token.line, f"{token.text!r} is not a spoken word", fix)
        words = text.split()
        return _Word(text) if len(words) == 1 else _Sequence(tuple(_Word(word) for word in words))

    def _reference(self, reference: jsgf.Reference) -> _Part:
        name, line = reference.name, reference.line
        if name == "NULL":
            return _Null()
        if name == "VOID":
            raise self._error(line, "<VOID> makes this impossible to say", "take the alternative out")
        if name == "spoken.words":
            return _Free()
        if name in _NUMBERS:
            raise self._error(
                line, f"<{name}> has no range", f"say which numbers are allowed: <{name}> {_NUMBERS[name]}"
            )
        key = self._find(name, line)
        if key in self._within:
            raise self._error(
                line, f"<{name}> refers to itself", "write its words out: every grammar here is finite"
            )
        return self._rule(*key)

    def _find(self, name: str, line: int) -> tuple[str, str]:
        here = self._files[self._within[-1][0]]
        if name in here.rules:
            return here.name, name
        grammar, _, rule = name.rpartition(".")
        known = list(here.rules)
        for imported in here.imports:
            if imported.grammar not in self._files:
                if imported.grammar == "spoken":
                    continue
                fix = f"the grammars are {', '.join(sorted(self._files))}"
                raise self._error(imported.line, f"no grammar {imported.grammar!r} to import from", fix)
            public = [other.name for other in self._files[imported.grammar].rules.values() if other.public]
            if imported.rule != "*":
                public = [other for other in public if other == imported.rule]
            if rule in public and grammar in ("", imported.grammar):
                return imported.grammar, rule
            known += public
        near = get_close_matches(rule, known, 1)
        fix = (
            f"did you mean <{near[0]}>?"
            if near
            else "define it in this file, or import it if it is public elsewhere"
        )
        raise self._error(line, f"<{name}> is not defined", fix)

    def _number(self, reference: jsgf.Reference, tagged: jsgf.Tagged) -> _Part:
        try:
            allowed = Range.parse(KINDS[reference.name.removeprefix("spoken.")], tagged.tag)
        except ValueError as error:
            raise self._error(tagged.line, str(error), f"write it like {_NUMBERS[reference.name]}") from None
        return _Number(allowed)

    def _sense(self, tagged: jsgf.Tagged) -> _Sense:
        if tagged.tag == "hedged":
            return _Sense(hedged=True)
        if tagged.tag == "doubtful":
            return _Sense(doubtful=True)
        name, _, value = tagged.tag.partition(" ")
        names = [*map(str, Meaning), "hedged", "doubtful"]
        if name not in names[:-2]:
            near = get_close_matches(name, names, 1)
            fix = f"did you mean {{{near[0]}}}?" if near else f"the tags are {', '.join(names)}"
            raise self._error(tagged.line, f"the tag {{{tagged.tag}}} is not known", fix)
        number = value.lstrip("+-").isdecimal()
        return _Sense(Meaning(name), int(value) if number else value or None)


_NUMBERS = {
    "spoken.power": "{from -20.00 to +20.00 by 0.25}",
    "spoken.degrees": "{from 1 to 180 by 1}",
    "spoken.count": "{from 40 to 80 by 0.5}",
    "spoken.snellen": "{lines 20/20 20/25 20/30}",
}


class Grammar:
    """One listening state's grammar, or several together. Made by `Grammars`."""

    def __init__(self, name: str, root: _Part, templates: tuple[Template, ...]) -> None:
        self.name = name
        self._root = root
        self._templates = templates

    def __repr__(self) -> str:
        return f"Grammar({self.name!r})"

    def parse(self, text: str) -> Parsed | None:
        """The one meaning of a text, typed or recognised; None if it is not in the grammar. Never raises."""
        found = spoken_words(text)
        words = tuple(word.text for word in found)
        if not words:
            return None
        ends = self._root.match(words, 0, {}) if len(words) <= MOST_WORDS else self._long(words)
        senses = [sense for end, sense in ends if end == len(words)]
        if len({(sense.meaning, sense.value) for sense in senses}) != 1:
            return None  # not in the grammar; or two meanings, and none is guessed
        sense = senses[0]
        value = sense.value
        if isinstance(value, _From):
            value = text[found[value.word].start :].strip()
        hedged = any(other.hedged for other in senses)
        meaning = sense.meaning
        assert meaning is not None  # every template has one: checked when loading
        outcome = Outcome.HEARD
        if any(other.doubtful for other in senses):
            outcome = Outcome.DOUBTFUL
        elif all(other.beyond for other in senses):
            outcome = Outcome.OUT_OF_RANGE
        if meaning in _ANSWERS and text.rstrip().endswith("?"):
            hedged = True  # "two?": written for a rising voice
        allowed = sense.beyond.allowed if outcome is Outcome.OUT_OF_RANGE and sense.beyond else ""
        return Parsed(" ".join(words), meaning, value, hedged, outcome, _hint(meaning), allowed)

    def _long(self, words: _Words) -> Iterable[_Match]:
        """A text too long to be anything but a note: only its first words are looked at."""
        return [
            (len(words), sense)
            for end, sense in self._root.match(words[:MOST_WORDS], 0, {})
            if end == MOST_WORDS and isinstance(sense.value, _From)
        ]

    def templates(self) -> tuple[Template, ...]:
        """Everything that can be said, numbers left open, the likeliest first."""
        return self._templates

    def phrases(self, at_most: int = 400) -> tuple[Phrase, ...]:
        """The likeliest things to say that hold no number, for a recogniser's list.

        About `at_most`: equally likely ones are kept or left out together, so that "one" never has more ways to be
        heard than "two"; and every meaning keeps its likeliest.
        """
        closed = [template for template in self._templates if template.closed]
        cut = _rounded(closed[at_most].weight) if len(closed) > at_most else -1.0
        kept = []
        have = set()
        for one in closed:
            kind = (one.meaning, one.value, one.outcome)
            if _rounded(one.weight) > cut or kind not in have:
                have.add(kind)
                kept.append(
                    Phrase(_text(one.parts), one.meaning, one.value, one.weight, one.hedged, one.outcome)
                )
        return tuple(kept)

    def number_phrases(self) -> Iterator[Phrase]:
        """Every way to say every number allowed, in every sentence that holds one. Long: take it lazily.

        Words that `phrases` has with a meaning of their own ("plus one", too near an answer) are left out.
        """
        closed = {_text(template.parts) for template in self._templates if template.closed}
        for template in self._templates:
            for at, part in enumerate(template.parts):
                if isinstance(part, Range):
                    forms = list(part.forms())
                    weight = template.weight / len(forms)
                    for words, value in forms:
                        text = _text((*template.parts[:at], words, *template.parts[at + 1 :]))
                        if text not in closed:
                            yield Phrase(
                                text, template.meaning, value, weight, template.hedged, template.outcome
                            )

    def words(self) -> frozenset[str]:
        """Every word of the grammar, number words included."""
        parts = {part for template in self._templates for part in template.parts}
        said = {part for part in parts if isinstance(part, str)}
        return frozenset(said.union(*(part.words() for part in parts if isinstance(part, Range))))

    def sample(self, rng: Random) -> Phrase:
        """Something one could say: alternatives by weight, any number of its range in any of its forms.

        Hedges and doubt are the whole text's, which may have another reading. Weights are not worked out (1).
        """
        parts, sense = self._root.sample(rng)
        value = sense.value
        spoken: list[str] = []
        for part in parts:
            if isinstance(part, Range):
                value = rng.choice(list(part.values()))
                spoken.append(rng.choice(part.kind.say(value)))
            elif isinstance(part, FreeWords):
                value = _A_NOTE
                spoken.append(value)
            else:
                spoken.append(part)
        text = " ".join(spoken)
        heard = self.parse(text)
        if heard is None or sense.meaning is None or isinstance(value, _From):
            raise AssertionError(f"{self.name}: says {text!r} but does not understand it: please report this")
        return Phrase(text, sense.meaning, value, 1.0, heard.hedged, heard.outcome)


_A_NOTE = "seen again in a year"  # what a sampled note says


def _rounded(weight: float) -> float:
    """A weight in which shares multiplied in another order come out equal."""
    return round(weight, 12)


def _text(parts: Said) -> str:
    return " ".join(part for part in parts if isinstance(part, str))


def _templates(file: str, part: _Part) -> tuple[Template, ...]:
    found = []
    for parts, sense, weight in part.templates():
        if sense.meaning is None:
            what = " ".join(one if isinstance(one, str) else "..." for one in parts)
            raise GrammarError(file, 0, "", f"{what!r} has no meaning", "give it a tag such as {first}")
        assert not isinstance(sense.value, _From)
        outcome = Outcome.DOUBTFUL if sense.doubtful else Outcome.HEARD
        found.append(Template(parts, sense.meaning, sense.value, weight, sense.hedged, outcome))
        if len(found) > MOST_TEMPLATES:
            raise GrammarError(
                file, 0, "", f"says more than {MOST_TEMPLATES} things", "use fewer optional parts"
            )
    return tuple(found)


def _merge(file: str, templates: Iterable[Template]) -> tuple[Template, ...]:
    """One template for one wording: weights added, doubt kept. Two meanings for one wording is an error."""
    merged: dict[Said, Template] = {}
    for new in templates:
        old = merged.get(new.parts)
        if old is None:
            merged[new.parts] = new
            continue
        if (old.meaning, old.value) != (new.meaning, new.value):
            what = " ".join(part if isinstance(part, str) else "..." for part in new.parts)
            raise GrammarError(
                file,
                0,
                "",
                f"{what!r} means both {old.meaning} and {new.meaning}",
                "take it out of one of them",
            )
        doubt = Outcome.DOUBTFUL if Outcome.DOUBTFUL in (old.outcome, new.outcome) else Outcome.HEARD
        merged[new.parts] = replace(
            old, weight=old.weight + new.weight, hedged=old.hedged or new.hedged, outcome=doubt
        )
    return tuple(sorted(merged.values(), key=lambda template: -_rounded(template.weight)))


class Grammars:
    """All grammars of a folder, linked and checked. `sources` maps a file name to its text.

    Raises GrammarError, one line, for the first file that cannot be used.
    """

    def __init__(self, sources: Mapping[str, str]) -> None:
        files: dict[str, jsgf.File] = {}
        for file, text in sorted(sources.items()):
            label = file if file.endswith(".jsgf") else f"{file}.jsgf"
            read = jsgf.read(label, text)
            if f"{read.name}.jsgf" != label:
                raise GrammarError(
                    label, 0, "", f"calls itself {read.name!r}", "give file and grammar the same name"
                )
            files[read.name] = read
        self._files = files
        linker = _Linker(files)
        self._roots: dict[str, _Part] = {}
        self._made: dict[tuple[str, ...], Grammar] = {}
        for name in files:
            linker.every_rule(name)
        libraries = {imported.grammar for read in files.values() for imported in read.imports}
        for name in files:
            if name not in libraries:
                self._roots[name] = linker.public(name)
        for name in self._roots:
            self.get(name)

    @property
    def names(self) -> tuple[str, ...]:
        """The listening states: every file but those that others only import from."""
        return tuple(self._roots)

    def get(self, name: str) -> Grammar:
        """One grammar by its name; KeyError names the ones there are."""
        return self.union(name)

    def union(self, *names: str) -> Grammar:
        """Several grammars listened for at once. Made once, then kept.

        Raises GrammarError where a wording means one thing here and another there.
        """
        if names not in self._made:
            for name in names:
                if name not in self._roots:
                    raise KeyError(f"no grammar {name!r}: there are {', '.join(self._roots)}")
            self._made[names] = self._build(names)
        return self._made[names]

    def _build(self, names: tuple[str, ...]) -> Grammar:
        if len(names) == 1:
            root, file = self._roots[names[0]], f"{names[0]}.jsgf"
            return Grammar(names[0], root, _merge(file, _templates(file, root)))
        together = [one for name in names for one in self.get(name).templates()]
        root = _Choice(tuple(self._roots[name] for name in names), (1.0,) * len(names))
        file = " and ".join(f"{name}.jsgf" for name in names)
        return Grammar("+".join(names), root, _merge(file, together))

    def files_with(self, word: str) -> tuple[str, ...]:
        """The files of the grammars in which a word can be said, for a message about a word a model lacks."""
        return tuple(self._files[name].file for name in self._roots if word in self.get(name).words())


EVERYWHERE = ("command", "common")  # live whenever the exam is not paused
LISTENING_FOR: Mapping[str, tuple[str, ...]] = {
    "choice": ("choice",),
    "legible": ("legible",),
    "command": EVERYWHERE,
    "all": ("choice", "legible", "acuity", "confirm", *EVERYWHERE),  # no bare numbers: nobody asked for one
}
"""What `--listening-for` takes, and the grammars it stands for."""

_VALUES = ("pd", "age")  # the numbers asked for that have a grammar of their own


def listening_for(question: Question | None, paused: bool = False) -> tuple[str, ...]:
    """The grammars that are live for a question, answers first. Paused, only what is legal everywhere."""
    if paused:
        return ("common",)
    if question is None:
        return EVERYWHERE
    if isinstance(question, Value):
        return (question.of, *EVERYWHERE) if question.of in _VALUES else EVERYWHERE
    return (question.form, *EVERYWHERE)

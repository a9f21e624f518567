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

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

from ..protocol.meanings import Meaning, Outcome, Speaker
from ..protocol.questions import Question, Value
from . import jsgf
from .jsgf import GrammarError
from .linking import Linker
from .normalise import DIGITS, TEENS, TENS, spoken_words
from .numbers import Range
from .numbers import Value as Number
from .tree import Choice, FreeWords, From, Match, Part, Said, Words

if TYPE_CHECKING:
    from random import Random

MOST_TEMPLATES = 20_000  # of one grammar: beyond this a recogniser's list, and the check at load, get slow
MOST_WORDS = 60  # of an utterance: a longer text is speech about something else (a note may be longer)


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
    {Meaning.YES, Meaning.NO, Meaning.AGAIN, Meaning.REPEAT} | {Meaning.SET_ACUITY, Meaning.SET_PD, Meaning.SET_AGE}
)
_ANSWERS = _PATIENTS | {Meaning.YES, Meaning.NO}


def _hint(meaning: Meaning) -> Speaker | None:
    if meaning in _PATIENTS:
        return Speaker.PATIENT
    return None if meaning in _EITHERS else Speaker.EXAMINER


# What a number goes on with, in the shortest way.
_MORE = (*DIGITS, *TEENS, *TENS[2:], "hundred", "point five", "and a half", "oh five", "minus two")


class Grammar:
    """One listening state's grammar, or several together. Made by `Grammars`."""

    def __init__(self, name: str, root: Part, templates: tuple[Template, ...]) -> None:
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
        if isinstance(value, From):
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

    def may_go_on(self, text: str) -> bool:
        """Whether more words can make another number of it: "axis one seventy" may yet be "axis one seventy five"."""
        now = self.parse(text)
        after = (self.parse(f"{text} {more}") for more in _MORE)
        return now is not None and any(
            longer is not None and longer.outcome is Outcome.HEARD and longer.value != now.value for longer in after
        )

    def _long(self, words: Words) -> Iterable[Match]:
        """A text too long to be anything but a note: only its first words are looked at."""
        return [
            (len(words), sense)
            for end, sense in self._root.match(words[:MOST_WORDS], 0, {})
            if end == MOST_WORDS and isinstance(sense.value, From)
        ]

    def templates(self) -> tuple[Template, ...]:
        """Everything that can be said, numbers left open, the likeliest first."""
        return self._templates

    def phrases(self, at_most: int = 400) -> tuple[Phrase, ...]:
        """The likeliest things to say that hold no number, for a recogniser's list.

        About `at_most`: equally likely ones are kept or left out together, so that "one" never has more ways
        to be heard than "two"; and every meaning keeps its likeliest.
        """
        closed = [template for template in self._templates if template.closed]
        cut = _rounded(closed[at_most].weight) if len(closed) > at_most else -1.0
        kept = []
        have = set()
        for one in closed:
            kind = (one.meaning, one.value, one.outcome)
            if _rounded(one.weight) > cut or kind not in have:
                have.add(kind)
                kept.append(Phrase(_text(one.parts), one.meaning, one.value, one.weight, one.hedged, one.outcome))
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
                            yield Phrase(text, template.meaning, value, weight, template.hedged, template.outcome)

    def words(self) -> frozenset[str]:
        """Every word of the grammar, number words included."""
        return self._every_word

    @cached_property
    def _every_word(self) -> frozenset[str]:
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
        if heard is None or sense.meaning is None or isinstance(value, From):
            raise AssertionError(f"{self.name}: says {text!r} but does not understand it: please report this")
        return Phrase(text, sense.meaning, value, 1.0, heard.hedged, heard.outcome)


_A_NOTE = "seen again in a year"  # what a sampled note says


def _rounded(weight: float) -> float:
    """A weight in which shares multiplied in another order come out equal."""
    return round(weight, 12)


def _text(parts: Said) -> str:
    return " ".join(part for part in parts if isinstance(part, str))


def _shown(parts: Said) -> str:
    return repr(" ".join(part if isinstance(part, str) else "..." for part in parts))


def _templates(file: str, root: Part) -> tuple[Template, ...]:
    found = []
    for parts, sense, weight in root.templates():
        value = sense.value
        if sense.meaning is None:
            raise GrammarError(file, 0, "", f"{_shown(parts)} has no meaning", "give it a tag such as {first}")
        if sense.twice:
            raise GrammarError(file, 0, "", f"{_shown(parts)} has two tags with a meaning", "leave it one")
        if isinstance(value, From) or sum(not isinstance(part, str) for part in parts) + (value is not None) > 1:
            raise GrammarError(file, 0, "", f"{_shown(parts)} holds two values", "leave it one number or value")
        outcome = Outcome.DOUBTFUL if sense.doubtful else Outcome.HEARD
        found.append(Template(parts, sense.meaning, value, weight, sense.hedged, outcome))
        if len(found) > MOST_TEMPLATES:
            raise GrammarError(file, 0, "", f"says more than {MOST_TEMPLATES} things", "use fewer optional parts")
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
            both = f"{_shown(new.parts)} means both {old.meaning} and {new.meaning}"
            raise GrammarError(file, 0, "", both, "take it out of one of them")
        doubt = Outcome.DOUBTFUL if Outcome.DOUBTFUL in (old.outcome, new.outcome) else Outcome.HEARD
        merged[new.parts] = replace(old, weight=old.weight + new.weight, hedged=old.hedged or new.hedged, outcome=doubt)
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
                raise GrammarError(label, 0, "", f"calls itself {read.name!r}", "give file and grammar the same name")
            files[read.name] = read
        self._files = files
        linker = Linker(files)
        self._roots: dict[str, Part] = {}
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
        root = Choice(tuple(self._roots[name] for name in names), (1.0,) * len(names))
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

# What is asked for by name, and the grammar of its answers.
_VALUES = {
    "pd": "pd",
    "age": "age",
    "near_pd": "near_pd",
    "vertex": "vertex",
    "red_flags": "red_flags",
    "near_acuity": "acuity",
}


def listening_for(question: Question | None, paused: bool = False, plus_cylinder: bool = False) -> tuple[str, ...]:
    """The grammars that are live for a question, answers first. Paused, only what is legal everywhere.

    `plus_cylinder`: the refractor head's cylinder dial is one of plus.
    """
    if paused:
        return ("common",)
    everywhere = ("command", "command_plus", "common") if plus_cylinder else EVERYWHERE
    if question is None:
        return everywhere
    if isinstance(question, Value):
        own = _VALUES.get(question.of)
        return everywhere if own is None else (own, *everywhere)
    return (question.form, *everywhere)

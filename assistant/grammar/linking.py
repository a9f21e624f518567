"""Grammar files linked into trees: references and imports resolved, tags and number ranges checked."""

from __future__ import annotations

import re
from collections.abc import Mapping
from difflib import get_close_matches

from ..protocol.meanings import Meaning
from . import jsgf
from .jsgf import GrammarError
from .normalise import normalise
from .numbers import KINDS, Range
from .tree import OPTIONAL_SHARE, Choice, Free, Null, Numeral, Part, Sense, Sequence, Tagged, Word


class Linker:
    """Resolves references between files and turns rules into parts, each rule once."""

    def __init__(self, files: Mapping[str, jsgf.File]) -> None:
        self._files = files
        self._linked: dict[tuple[str, str], Part] = {}
        self._within: list[tuple[str, str]] = []

    def public(self, name: str) -> Part:
        rules = [rule for rule in self._files[name].rules.values() if rule.public]
        return Choice(tuple(self._rule(name, rule.name) for rule in rules), (1.0,) * len(rules))

    def every_rule(self, name: str) -> None:
        """Links also the rules that nothing refers to, so that their faults are found."""
        for rule in self._files[name].rules:
            self._rule(name, rule)

    def _rule(self, file: str, name: str) -> Part:
        key = (file, name)
        if key not in self._linked:
            self._within.append(key)
            self._linked[key] = self._part(self._files[file].rules[name].body)
            self._within.pop()
        return self._linked[key]

    def _error(self, line: int, problem: str, fix: str) -> GrammarError:
        file, rule = self._within[-1]
        return GrammarError(self._files[file].file, line, rule, problem, fix)

    def _part(self, body: jsgf.Expansion) -> Part:
        if isinstance(body, jsgf.Token):
            return self._word(body)
        if isinstance(body, jsgf.Reference):
            return self._reference(body)
        if isinstance(body, jsgf.Sequence):
            return Sequence(tuple(self._part(part) for part in body.parts))
        if isinstance(body, jsgf.Alternatives):
            return Choice(tuple(self._part(choice) for choice in body.choices), body.weights)
        if isinstance(body, jsgf.Optional):
            share = (OPTIONAL_SHARE, 1 - OPTIONAL_SHARE)
            return Choice((self._part(body.body), Null()), share)
        if isinstance(body.body, jsgf.Reference) and body.body.name in _NUMBERS:
            return self._number(body.body, body)
        return Tagged(self._part(body.body), self._sense(body))

    def _word(self, token: jsgf.Token) -> Part:
        text = normalise(token.text)
        if not text or text != token.text.lower():
            fix = f"write it as it is spoken: {text}" if text else "write the word as it is spoken"
            raise self._error(token.line, f"{token.text!r} is not a spoken word", fix)
        words = text.split()
        return Word(text) if len(words) == 1 else Sequence(tuple(Word(word) for word in words))

    def _reference(self, reference: jsgf.Reference) -> Part:
        name, line = reference.name, reference.line
        if name == "NULL":
            return Null()
        if name == "VOID":
            raise self._error(line, "<VOID> makes this impossible to say", "take the alternative out")
        if name == "spoken.words":
            return Free()
        if name in _NUMBERS:
            raise self._error(
                line, f"<{name}> has no range", f"say which numbers are allowed: <{name}> {_NUMBERS[name]}"
            )
        key = self._find(name, line)
        if key in self._within:
            raise self._error(line, f"<{name}> refers to itself", "write its words out: every grammar here is finite")
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
        fix = f"did you mean <{near[0]}>?" if near else "define it in this file, or import it if it is public elsewhere"
        raise self._error(line, f"<{name}> is not defined", fix)

    def _number(self, reference: jsgf.Reference, tagged: jsgf.Tagged) -> Part:
        try:
            allowed = Range.parse(KINDS[reference.name.removeprefix("spoken.")], tagged.tag)
        except ValueError as error:
            raise self._error(tagged.line, str(error), f"write it like {_NUMBERS[reference.name]}") from None
        return Numeral(allowed)

    def _sense(self, tagged: jsgf.Tagged) -> Sense:
        if tagged.tag == "hedged":
            return Sense(hedged=True)
        if tagged.tag == "doubtful":
            return Sense(doubtful=True)
        name, _, value = tagged.tag.partition(" ")
        names = [*map(str, Meaning), "hedged", "doubtful"]
        if name not in names[:-2]:
            near = get_close_matches(name, names, 1)
            fix = f"did you mean {{{near[0]}}}?" if near else f"the tags are {', '.join(names)}"
            raise self._error(tagged.line, f"the tag {{{tagged.tag}}} is not known", fix)
        number = re.fullmatch(r"[+-]?\d+", value)
        return Sense(Meaning(name), int(value) if number else value or None)


_NUMBERS = {
    "spoken.power": "{from -20.00 to +20.00 by 0.25}",
    "spoken.degrees": "{from 1 to 180 by 1}",
    "spoken.count": "{from 40 to 80 by 0.5}",
    "spoken.snellen": "{lines 20/20 20/25 20/30}",
}

"""A small reader of the Java Speech Grammar Format (W3C Note, 5 June 2000): text in, a tree of rules out.

Read: the header, the grammar's name, imports, public and private rules, sequences, alternatives with
weights, groups, optional parts, tags, quoted tokens, comments, `<NULL>` and `<VOID>`. Refused, because a
listening state is a finite list of things to say: the unary operators `*` and `+`, and rules that refer to
themselves (found when the rules are linked, in `grammar.py`).

Nothing here knows what a tag or a number means.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NoReturn


class GrammarError(ValueError):
    """A grammar file that cannot be used. One line: file, line, rule, what is wrong, what to do about it."""

    def __init__(self, file: str, line: int, rule: str, problem: str, fix: str) -> None:
        self.file, self.line, self.rule, self.problem, self.fix = file, line, rule, problem, fix
        where = f"{file}, line {line}" if line else file
        super().__init__(f"{where}{f', rule <{rule}>' if rule else ''}: {problem}; {fix}")


@dataclass(frozen=True)
class Token:
    """One word to be spoken, as written in the file."""

    text: str
    line: int


@dataclass(frozen=True)
class Reference:
    """`<name>`, with the line it stands on."""

    name: str
    line: int


@dataclass(frozen=True)
class Sequence:
    parts: tuple[Expansion, ...]


@dataclass(frozen=True)
class Alternatives:
    """`a | b | c`; `weights` are as written, 1 where an alternative has none."""

    choices: tuple[Expansion, ...]
    weights: tuple[float, ...]


@dataclass(frozen=True)
class Optional:
    """`[a]`."""

    body: Expansion


@dataclass(frozen=True)
class Tagged:
    """`a {text}`."""

    body: Expansion
    tag: str
    line: int


Expansion = Token | Reference | Sequence | Alternatives | Optional | Tagged


@dataclass(frozen=True)
class Rule:
    name: str
    public: bool
    body: Expansion
    line: int


@dataclass(frozen=True)
class Import:
    """`import <grammar.rule>;`, with `rule` "*" for all public rules."""

    grammar: str
    rule: str
    line: int


@dataclass(frozen=True)
class File:
    """One grammar file: `file` is what errors call it, `name` what it calls itself."""

    file: str
    name: str
    imports: tuple[Import, ...]
    rules: Mapping[str, Rule]


_HEADER = re.compile(
    r"\ufeff?#JSGF[ \t]+V(?P<version>[0-9.]+)"
    r"(?:[ \t]+(?P<encoding>[\w.-]+))?(?:[ \t]+(?P<locale>[\w-]+))?[ \t]*;"
)
_LEXEME = re.compile(
    r"""(?P<space>\s+)
      | (?P<comment>//[^\n]*|/\*.*?\*/)
      | (?P<reference><[^<>\s]+>)
      | (?P<tag>\{(?:\\.|[^\\{}])*\})
      | (?P<weight>/[^/\s*][^/\n]*/)
      | (?P<quoted>"(?:\\.|[^"\\])*")
      | (?P<mark>[;=|*+()\[\]])
      | (?P<word>[^\s;=|*+<>()\[\]{}/"]+)
    """,
    re.VERBOSE | re.DOTALL,
)


@dataclass(frozen=True)
class _Lexeme:
    kind: str
    text: str
    line: int


class _Reader:
    """Recursive descent over the lexemes of one file."""

    def __init__(self, file: str, text: str) -> None:
        self._file = file
        self._rule = ""
        self._at = 0
        self._lexemes = self._split(text)

    def _fail(self, line: int, problem: str, fix: str) -> NoReturn:
        raise GrammarError(self._file, line, self._rule, problem, fix)

    def _split(self, text: str) -> list[_Lexeme]:
        header = _HEADER.match(text)
        if header is None:
            self._fail(1, "this is not a JSGF grammar", 'start the file with "#JSGF V1.0 UTF-8 en;"')
        if header["version"] not in ("1", "1.0"):
            self._fail(1, f"JSGF version {header['version']} is not known", 'write "#JSGF V1.0 UTF-8 en;"')
        if (header["encoding"] or "utf-8").lower() not in ("utf-8", "utf8", "us-ascii", "ascii"):
            self._fail(1, f"encoding {header['encoding']} is not read", 'save it as UTF-8: "#JSGF V1.0 UTF-8 en;"')
        lexemes = []
        at, line = header.end(), 1
        while at < len(text):
            found = _LEXEME.match(text, at)
            if found is None:
                self._fail(line, f"{text[at]!r} stands alone or is not closed", "close it, or quote it as a word")
            kind = str(found.lastgroup)
            if kind not in ("space", "comment"):
                lexemes.append(_Lexeme(kind, found.group(), line))
            line += found.group().count("\n")
            at = found.end()
        lexemes.append(_Lexeme("end", "", line))
        return lexemes

    @property
    def _next(self) -> _Lexeme:
        return self._lexemes[self._at]

    def _take(self) -> _Lexeme:
        taken = self._next
        self._at += taken.kind != "end"
        return taken

    def _takes(self, text: str) -> bool:
        if self._next.text != text or self._next.kind not in ("mark", "word"):
            return False
        self._at += 1
        return True

    def _expect(self, mark: str, after: str) -> None:
        if not self._takes(mark):
            found = self._next
            what = repr(found.text) if found.kind != "end" else "the end of the file"
            self._fail(found.line, f"{what} where {mark!r} should stand", f"put {mark!r} after {after}")

    def file(self) -> File:
        if not self._takes("grammar"):
            self._fail(self._next.line, "the grammar has no name", 'write "grammar NAME;" after the header')
        name = self._take().text
        self._expect(";", "the grammar's name")
        imports = []
        while self._takes("import"):
            imports.append(self._import())
        rules: dict[str, Rule] = {}
        while self._next.kind != "end":
            rule = self._one_rule()
            if rule.name in rules:
                self._fail(
                    rule.line,
                    f"the rule is defined twice (first on line {rules[rule.name].line})",
                    "rename one",
                )
            rules[rule.name] = rule
            self._rule = ""
        if not any(rule.public for rule in rules.values()):
            self._fail(self._next.line, "no rule is public", 'write "public" before the rule to listen for')
        return File(self._file, name, tuple(imports), rules)

    def _import(self) -> Import:
        found = self._take()
        grammar, dot, rule = found.text[1:-1].rpartition(".")
        if found.kind != "reference" or not dot:
            self._fail(found.line, f"{found.text!r} cannot be imported", 'write "import <grammar.rule>;"')
        self._expect(";", "the import")
        return Import(grammar, rule, found.line)

    def _one_rule(self) -> Rule:
        public = self._takes("public")
        found = self._take()
        if found.kind != "reference":
            self._fail(found.line, f"{found.text!r} where a rule should start", 'write "<name> = words;"')
        self._rule = found.text[1:-1]
        if "." in self._rule or self._rule in ("NULL", "VOID"):
            self._fail(found.line, "this name cannot be defined", "choose a name without a dot, not NULL or VOID")
        self._expect("=", "the rule's name")
        body = self._alternatives()
        self._expect(";", "the rule's words")
        return Rule(self._rule, public, body, found.line)

    def _alternatives(self) -> Expansion:
        choices, weights = [], []
        while True:
            weights.append(self._weight())
            choices.append(self._sequence())
            if not self._takes("|"):
                break
        return choices[0] if len(choices) == 1 else Alternatives(tuple(choices), tuple(weights))

    def _weight(self) -> float:
        if self._next.kind != "weight":
            return 1.0
        found = self._take()
        try:
            weight = float(found.text[1:-1])
        except ValueError:
            weight = -1.0
        if not 0 < weight < 1e9:
            self._fail(
                found.line,
                f"the weight {found.text} is not a number above zero",
                "write it like /2/ or /0.5/",
            )
        return weight

    def _sequence(self) -> Expansion:
        parts: list[Expansion] = []
        while (item := self._item()) is not None:
            while self._next.kind == "tag":
                tag = self._take()
                item = Tagged(item, re.sub(r"\\(.)", r"\1", tag.text[1:-1]).strip(), tag.line)
            if self._next.kind == "mark" and self._next.text in "*+":
                self._fail(
                    self._next.line,
                    f"the operator {self._next.text!r} repeats without end, and every grammar here is finite",
                    "write the repeated words out",
                )
            parts.append(item)
        if not parts:
            self._fail(
                self._next.line,
                "an alternative has no words",
                "add words, or make the part optional: [words]",
            )
        return parts[0] if len(parts) == 1 else Sequence(tuple(parts))

    def _item(self) -> Expansion | None:
        found = self._next
        if found.kind == "word":
            return Token(self._take().text, found.line)
        if found.kind == "quoted":
            return Token(re.sub(r"\\(.)", r"\1", self._take().text[1:-1]), found.line)
        if found.kind == "reference":
            return Reference(self._take().text[1:-1], found.line)
        if self._takes("("):
            body = self._alternatives()
            self._expect(")", "the group opened with '('")
            return body
        if self._takes("["):
            body = self._alternatives()
            self._expect("]", "the optional part opened with '['")
            return Optional(body)
        return None


def read(file: str, text: str) -> File:
    """The rules of one grammar file. `file` is the name that errors show.

    Raises GrammarError on the first fault.
    """
    return _Reader(file, text).file()

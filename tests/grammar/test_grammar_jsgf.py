"""The reader of JSGF (W3C Note, 5 June 2000), and what it says about a file that cannot be used."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.grammar import jsgf
from assistant.grammar.jsgf import GrammarError, read

HEAD = "#JSGF V1.0 UTF-8 en;\ngrammar g;\n"


def body(text: str) -> jsgf.Expansion:
    return read("g.jsgf", f"{HEAD}public <r> = {text};").rules["r"].body


def test_a_whole_file() -> None:
    # the forms shown in section 2-4 of the note: header, name, imports, comments, public and private rules
    file = read(
        "greet.jsgf",
        "#JSGF V1.0 ISO8859-1 en;".replace("ISO8859-1", "UTF-8")
        + """
        // one kind of comment
        grammar com.example.greet;
        import <com.example.polite.startPolite>;
        import <com.example.polite.*>;
        /* another kind,
           on two lines */
        public <basic> = <startPolite> (open | close) [the] window {act};
        <private> = hello;
        """,
    )
    assert file.name == "com.example.greet"
    assert [(one.grammar, one.rule) for one in file.imports] == [
        ("com.example.polite", "startPolite"),
        ("com.example.polite", "*"),
    ]
    assert [(rule.name, rule.public, rule.line) for rule in file.rules.values()] == [
        ("basic", True, 8),
        ("private", False, 9),
    ]
    assert file.rules["basic"].body == jsgf.Sequence(
        (
            jsgf.Reference("startPolite", 8),
            jsgf.Alternatives((jsgf.Token("open", 8), jsgf.Token("close", 8)), (1.0, 1.0)),
            jsgf.Optional(jsgf.Token("the", 8)),
            jsgf.Tagged(jsgf.Token("window", 8), "act", 8),
        )
    )


def test_weights() -> None:
    # section 4.3.2 of the note: /10/ small | /2/ medium | large
    found = body("/10/ small | /2.5/ medium | large")
    assert isinstance(found, jsgf.Alternatives)
    assert found.weights == (10.0, 2.5, 1.0)


def test_sequence_binds_before_alternatives() -> None:
    found = body("a b | c")
    assert isinstance(found, jsgf.Alternatives)
    assert found.choices == (jsgf.Sequence((jsgf.Token("a", 3), jsgf.Token("b", 3))), jsgf.Token("c", 3))


def test_a_tag_belongs_to_what_stands_before_it_and_may_hold_escapes() -> None:
    assert body(r"a b {one} {t\}wo}") == jsgf.Sequence(
        (
            jsgf.Token("a", 3),
            jsgf.Tagged(jsgf.Tagged(jsgf.Token("b", 3), "one", 3), "t}wo", 3),
        )
    )


def test_quoted_tokens() -> None:
    assert body(r'"new \"york\""') == jsgf.Token('new "york"', 3)


def test_a_byte_order_mark_and_a_short_header_are_fine() -> None:
    assert read("g.jsgf", "\ufeff#JSGF V1.0;\ngrammar g; public <r> = a;").name == "g"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "g.jsgf, line 1: this is not a JSGF grammar"),
        ("grammar g;", "g.jsgf, line 1: this is not a JSGF grammar"),
        ("#JSGF V2.0;\ngrammar g;", "g.jsgf, line 1: JSGF version 2.0 is not known"),
        ("#JSGF V1.0 UTF-16 en;\ngrammar g;", "g.jsgf, line 1: encoding UTF-16 is not read"),
        ("#JSGF V1.0;\n<r> = a;", "g.jsgf, line 2: the grammar has no name"),
        ("#JSGF V1.0;\ngrammar g\n<r> = a;", "g.jsgf, line 3: '<r>' where ';' should stand; put ';' after"),
        (HEAD, "g.jsgf, line 3: no rule is public"),
        (HEAD + "<r> = a;", "g.jsgf, line 3: no rule is public"),
        (HEAD + "import <r>;", "g.jsgf, line 3: '<r>' cannot be imported"),
        (HEAD + "import r;", "g.jsgf, line 3: 'r' cannot be imported"),
        (HEAD + "public <r> = a", "g.jsgf, line 3, rule <r>: the end of the file where ';' should stand"),
        (HEAD + "\npublic <r> =\n a (b | c;", "g.jsgf, line 5, rule <r>: ';' where ')' should stand"),
        (HEAD + "public <r> = [a;", "g.jsgf, line 3, rule <r>: ';' where ']' should stand"),
        (HEAD + "public <r> a;", "g.jsgf, line 3, rule <r>: 'a' where '=' should stand"),
        (HEAD + "public r = a;", "g.jsgf, line 3: 'r' where a rule should start"),
        (HEAD + "public <a.b> = a;", "g.jsgf, line 3, rule <a.b>: this name cannot be defined"),
        (HEAD + "public <NULL> = a;", "g.jsgf, line 3, rule <NULL>: this name cannot be defined"),
        (HEAD + "public <r> = a | ;", "g.jsgf, line 3, rule <r>: an alternative has no words"),
        (HEAD + "public <r> = ;", "g.jsgf, line 3, rule <r>: an alternative has no words"),
        (HEAD + "public <r> = a*;", "g.jsgf, line 3, rule <r>: the operator '*' repeats without end"),
        (HEAD + "public <r> = (a b)+;", "g.jsgf, line 3, rule <r>: the operator '+' repeats without end"),
        (HEAD + "public <r> = /0/ a;", "g.jsgf, line 3, rule <r>: the weight /0/ is not a number above zero"),
        (HEAD + "public <r> = /x/ a;", "g.jsgf, line 3, rule <r>: the weight /x/ is not a number above zero"),
        (
            HEAD + "public <r> = a;\n<r> = b;",
            "g.jsgf, line 4, rule <r>: the rule is defined twice (first on line 3)",
        ),
        (HEAD + "public <r> = a {tag;", "g.jsgf, line 3: '{' stands alone or is not closed"),
        (HEAD + 'public <r> = "a;', "g.jsgf, line 3: '\"' stands alone or is not closed"),
        (HEAD + "public <r> = /* a;", "g.jsgf, line 3: '/' stands alone or is not closed"),
        (HEAD + "public <r> = a } ;", "g.jsgf, line 3: '}' stands alone or is not closed"),
    ],
)
def test_a_broken_file_is_one_clear_line(text: str, says: str) -> None:
    with pytest.raises(GrammarError) as caught:
        read("g.jsgf", text)
    message = str(caught.value)
    assert message.startswith(says)
    assert "; " in message and "\n" not in message  # what to do about it, on the same line


@given(st.text(alphabet='ab <>=;|()[]{}/*+"\\\n.', max_size=60))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        file = read("g.jsgf", HEAD + text)
    except GrammarError as error:
        assert error.file == "g.jsgf" and error.line >= 1
    else:
        assert file.rules

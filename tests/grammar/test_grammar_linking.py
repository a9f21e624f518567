"""How grammar files become meanings: references, imports, tags, ranges, doubt, faults."""

from __future__ import annotations

from random import Random

import pytest

from assistant.grammar import Grammar, GrammarError, Grammars, Parsed
from assistant.grammar.grammar import FreeWords
from assistant.grammar.numbers import Range
from assistant.protocol.meanings import Meaning, Outcome, Speaker


def file(name: str, text: str) -> dict[str, str]:
    return {f"{name}.jsgf": f"#JSGF V1.0 UTF-8 en;\ngrammar {name};\n{text}"}


def made(text: str) -> Grammar:
    return Grammars(file("g", text)).get("g")


def heard(grammar: Grammar, text: str) -> Parsed:
    parsed = grammar.parse(text)
    assert parsed is not None, text
    return parsed


def test_words_to_a_meaning() -> None:
    grammar = made("public <r> = (one | number one) {first} | two {second};")
    one = heard(grammar, "Number one!")
    assert (one.text, one.meaning, one.value, one.hedged, one.outcome, one.speaker_hint) == (
        "number one",
        Meaning.FIRST,
        None,
        False,
        Outcome.HEARD,
        Speaker.PATIENT,
    )
    assert grammar.parse("three") is None
    assert grammar.parse("number") is None
    assert grammar.parse("one two") is None
    assert grammar.parse("") is None
    assert repr(grammar) == "Grammar('g')"


def test_a_rule_may_use_another_and_one_imported() -> None:
    sources = file("g", "import <lib.um>;\npublic <r> = [<um>] <lens>;\n<lens> = two {second};")
    sources |= file("lib", "public <um> = um {hedged};\npublic <spare> = er;\n<own> = ah;")
    grammars = Grammars(sources)
    assert grammars.names == ("g",)  # a file that others import from is not listened for
    two = heard(grammars.get("g"), "um two")
    assert two.meaning is Meaning.SECOND and two.hedged


def test_a_full_name_finds_an_imported_rule_too() -> None:
    sources = file("g", "import <lib.*>;\npublic <r> = [<lib.um>] two {second};") | file("lib", "public <um> = um;")
    assert Grammars(sources).get("g").parse("um two") is not None


def test_a_tag_may_hold_a_value() -> None:
    grammar = made("public <r> = to the left {switch_eye left} | no cylinder {set_cylinder 0} | swap {switch_eye};")
    assert [heard(grammar, text).value for text in ("to the left", "no cylinder", "swap")] == [
        "left",
        0,
        None,
    ]


def test_numbers_in_range_and_out_of_it() -> None:
    grammar = made("public <r> = axis <spoken.degrees> {from 1 to 180 by 1} {set_axis};")
    inside, outside = heard(grammar, "axis ninety"), heard(grammar, "axis two hundred")
    assert (inside.value, inside.outcome, inside.allowed) == (90, Outcome.HEARD, "")
    assert (outside.meaning, outside.value, outside.outcome) == (Meaning.SET_AXIS, 200, Outcome.OUT_OF_RANGE)
    assert outside.allowed == "1 to 180"
    assert grammar.parse("axis") is None


def test_a_number_allowed_by_one_of_two_places_is_in_range() -> None:
    grammar = made(
        "public <r> = (<a> | <b>) {set_pd};"
        "<a> = p d <spoken.count> {from 40 to 80 by 1};"
        "<b> = p d <spoken.count> {from 20 to 60 by 1};"
    )
    assert heard(grammar, "p d 70").outcome is Outcome.HEARD
    assert heard(grammar, "p d 90").outcome is Outcome.OUT_OF_RANGE


def test_a_note_keeps_its_words_as_they_were_written() -> None:
    grammar = made("public <r> = note [<spoken.words>] {note};")
    note = heard(grammar, "Note: OD dry, 20/25?")
    assert note.value == "OD dry, 20/25?" and not note.hedged
    assert heard(grammar, "note").value is None
    assert grammar.templates()[0].parts in (("note", FreeWords()), ("note",))


def test_a_long_note_is_heard_and_long_talk_is_not() -> None:
    grammar = made("public <r> = two {second} | note <spoken.words> {note};")
    words = "and then the patient said that " * 2000
    assert heard(grammar, "note " + words).value == words.strip()
    assert grammar.parse(words) is None
    assert grammar.parse("two " * 61) is None


def test_doubt_wins_over_a_plain_reading() -> None:
    grammar = made("public <r> = two {second} | (two {second}) {hedged} | one {first} | one {first} {doubtful};")
    two, one = heard(grammar, "two"), heard(grammar, "one")
    assert two.hedged and two.outcome is Outcome.HEARD
    assert one.outcome is Outcome.DOUBTFUL
    assert {(phrase.text, phrase.hedged, phrase.outcome) for phrase in grammar.phrases()} == {
        ("two", True, Outcome.HEARD),
        ("one", False, Outcome.DOUBTFUL),
    }


def test_a_reading_that_only_a_number_shows_to_be_double_is_not_guessed() -> None:
    # the list at load shows numbers open, so this slips through; the text is then not understood
    grammar = made("public <r> = go <spoken.degrees> {from 1 to 9 by 1} {set_axis} | go five {next};")
    assert grammar.parse("go five") is None
    assert grammar.parse("go six") is not None
    with pytest.raises(AssertionError, match="g: says 'go five' but does not understand it"):
        for seed in range(100):
            grammar.sample(Random(seed))


def test_a_question_mark_after_an_answer_is_a_rising_voice() -> None:
    grammar = made("public <r> = two {second} | why {why};")
    assert heard(grammar, "two?").hedged
    assert not heard(grammar, "two").hedged
    assert not heard(grammar, "why?").hedged


def test_who_says_such_things() -> None:
    grammar = made("public <r> = two {second} | undo {undo} | yes {yes} | again {again} | one or two {question};")
    hints = {text: heard(grammar, text).speaker_hint for text in ("two", "undo", "yes", "again", "one or two")}
    assert hints == {
        "two": Speaker.PATIENT,
        "undo": Speaker.EXAMINER,
        "yes": None,
        "again": None,
        "one or two": Speaker.EXAMINER,
    }


def test_null_says_nothing_and_a_quoted_token_may_be_two_words() -> None:
    grammar = made('public <r> = (<NULL> | well) "number two" {second};')
    assert {phrase.text for phrase in grammar.phrases()} == {"number two", "well number two"}


def test_weights_lead_the_list_and_add_up_to_one() -> None:
    grammar = made("public <r> = (/3/ two | number two) {second} | [so] undo {undo};")
    assert next(phrase.text for phrase in grammar.phrases()) == "two"
    weights = {phrase.text: phrase.weight for phrase in grammar.phrases()}
    assert weights == pytest.approx({"two": 3 / 8, "number two": 1 / 8, "so undo": 1 / 4, "undo": 1 / 4})


def test_a_short_list_keeps_likes_together_and_every_meaning() -> None:
    grammar = made(
        "public <r> = /9/ (one | a | b) {first} | /9/ (two | c | d) {second} | (undo | take it back) {undo};"
    )
    assert [phrase.text for phrase in grammar.phrases(at_most=6)] == [
        "one",
        "a",
        "b",
        "two",
        "c",
        "d",
        "undo",
    ]
    assert {phrase.text for phrase in grammar.phrases(at_most=4)} == {"one", "two", "undo"}
    assert len(grammar.phrases()) == 8


def test_numbers_are_listed_lazily_and_closed_wordings_come_first() -> None:
    grammar = made(
        "public <r> = [sphere] <spoken.power> {from -1.00 to 1.00 by 0.25} {set_sphere}"
        " | plus one {set_sphere 100} {doubtful};"
    )
    texts = {(phrase.text, phrase.value) for phrase in grammar.number_phrases()}
    assert ("sphere minus three quarters", -75) in texts and ("plano", 0) in texts
    assert ("sphere plus one", 100) in texts and ("plus one", 100) not in texts
    assert [(phrase.text, phrase.value) for phrase in grammar.phrases()] == [("plus one", 100)]
    parts = {template.parts[-1] for template in grammar.templates() if not template.closed}
    assert all(isinstance(part, Range) for part in parts)
    assert {"sphere", "plus", "one", "quarters", "plano"} <= grammar.words()


def test_sampling_is_repeatable_and_stays_inside_the_grammar() -> None:
    grammar = made(
        "public <r> = /5/ [um {hedged}] two {second} | axis <spoken.degrees> {from 1 to 180 by 1} {set_axis}"
        " | note <spoken.words> {note} | <NULL> undo {undo};"
    )
    one = [grammar.sample(Random(seed)) for seed in range(60)]
    assert one == [grammar.sample(Random(seed)) for seed in range(60)]
    assert {phrase.meaning for phrase in one} == {
        Meaning.SECOND,
        Meaning.SET_AXIS,
        Meaning.NOTE,
        Meaning.UNDO,
    }
    for phrase in one:
        parsed = heard(grammar, phrase.text)
        assert (parsed.meaning, parsed.value, parsed.hedged) == (phrase.meaning, phrase.value, phrase.hedged)


def test_several_grammars_at_once() -> None:
    grammars = Grammars(file("a", "public <r> = two {second};") | file("b", "public <r> = undo {undo} | two {second};"))
    both = grammars.union("a", "b")
    assert both.name == "a+b"
    assert {phrase.text for phrase in both.phrases()} == {"two", "undo"}
    assert both.parse("undo") is not None
    assert grammars.union("a", "b") is both
    assert grammars.files_with("two") == ("a.jsgf", "b.jsgf")
    with pytest.raises(KeyError, match="no grammar 'c': there are a, b"):
        grammars.get("c")


def test_one_wording_must_mean_one_thing_also_across_files() -> None:
    grammars = Grammars(file("a", "public <r> = stop {pause};") | file("b", "public <r> = stop {finish};"))
    with pytest.raises(GrammarError, match=r"^a.jsgf and b.jsgf: 'stop' means both pause and finish; take it out"):
        grammars.union("a", "b")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("public <r> = <lens> {first};", "3, rule <r>: <lens> is not defined; define it in this file"),
        (
            "<lens> = a;\npublic <r> = <lans> {first};",
            "4, rule <r>: <lans> is not defined; did you mean <lens>?",
        ),
        ("public <r> = a <s> {first};\n<s> = [b] <r>;", "4, rule <s>: <r> refers to itself"),
        ("public <r> = one {first};\n<spare> = <spare>;", "4, rule <spare>: <spare> refers to itself"),
        ("public <r> = one {frist};", "3, rule <r>: the tag {frist} is not known; did you mean {first}?"),
        ("public <r> = one {%%%};", "3, rule <r>: the tag {%%%} is not known; the tags are first, second"),
        ("public <r> = one;", "'one' has no meaning; give it a tag"),
        ("public <r> = axis <spoken.degrees> {from 1 to 180 by 1};", "'axis ...' has no meaning"),
        ("public <r> = (one {first}) {second};", "'one' has two tags with a meaning; leave it one"),
        (
            "public <r> = <spoken.degrees> {from 1 to 9 by 1} {set_axis 5};",
            "'...' holds two values; leave it",
        ),
        (
            "public <r> = <a> by <a> {set_axis};\n<a> = <spoken.degrees> {from 1 to 9 by 1};",
            "'... by ...' holds two",
        ),
        ("public <r> = one {first} | one {second};", "'one' means both first and second; take it out of one"),
        ("public <r> = <VOID> {first};", "3, rule <r>: <VOID> makes this impossible to say"),
        ("public <r> = <spoken.power>;", "3, rule <r>: <spoken.power> has no range; say which"),
        ("public <r> = <spoken.power> {set_sphere};", "3, rule <r>: 'set_sphere' is not a range"),
        ("public <r> = <spoken.snellen> {lines 6/6};", "3, rule <r>: 'lines 6/6' is not a list of lines"),
        ("public <r> = 2 {second};", "3, rule <r>: '2' is not a spoken word; write it as it is spoken: two"),
        (
            "public <r> = OK {first};",
            "3, rule <r>: 'OK' is not a spoken word; write it as it is spoken: okay",
        ),
        ("public <r> = ... {first};", "3, rule <r>: '...' is not a spoken word; write the word as it is"),
        (
            "import <lib.x>;\npublic <r> = <x> {first};",
            "3, rule <r>: no grammar 'lib' to import from; the grammars are g",
        ),
        ("import <spoken.*>;\npublic <r> = <sphere> {first};", "4, rule <r>: <sphere> is not defined"),
        ("<a> = [a] [b] [c] [d];\npublic <r> = <a> <a> <a> <a> one {first};", "says more than 20000 things"),
    ],
)
def test_a_fault_is_one_clear_line(text: str, says: str) -> None:
    with pytest.raises(GrammarError) as caught:
        made(text)
    where = "g.jsgf, line " if says[0].isdigit() else "g.jsgf: "
    assert str(caught.value).startswith(where + says)
    assert "\n" not in str(caught.value)


def test_a_private_rule_of_another_file_cannot_be_used() -> None:
    sources = file("g", "import <lib.*>;\npublic <r> = <own> {first};") | file("lib", "<own> = a;\npublic <r> = b;")
    with pytest.raises(GrammarError, match="line 4, rule <r>: <own> is not defined"):
        Grammars(sources)


def test_only_the_imported_rule_can_be_used() -> None:
    sources = file("g", "import <lib.a>;\npublic <r> = <b> {first};") | file("lib", "public <a> = a;\npublic <b> = b;")
    with pytest.raises(GrammarError, match="<b> is not defined"):
        Grammars(sources)


def test_a_file_is_called_what_it_calls_itself() -> None:
    with pytest.raises(GrammarError, match=r"^other.jsgf: calls itself 'g'; give file and grammar the same name"):
        Grammars({"other.jsgf": file("g", "public <r> = one {first};")["g.jsgf"]})
    assert Grammars({"g": file("g", "public <r> = one {first};")["g.jsgf"]}).names == ("g",)


def test_a_tag_value_that_is_almost_a_number_is_words() -> None:
    assert heard(made("public <r> = odd {switch_eye +-5};"), "odd").value == "+-5"

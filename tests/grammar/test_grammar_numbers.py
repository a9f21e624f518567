"""Numbers as they are spoken: every one of every range, in every way of saying it, comes back as itself."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.grammar.normalise import normalise
from assistant.grammar.numbers import KINDS, METRES_TO_FEET, Kind, Range, Value, say_snellen

SPHERE = Range.parse(KINDS["power"], "from -20.00 to +20.00 by 0.25")
CYLINDER = Range.parse(KINDS["power"], "from -8.00 to 0.00 by 0.25")
AXIS = Range.parse(KINDS["degrees"], "from 1 to 180 by 1")
PD = Range.parse(KINDS["count"], "from 40 to 80 by 0.5")
AGE = Range.parse(KINDS["count"], "from 1 to 120 by 1")
LINES = Range.parse(KINDS["snellen"], "lines 20/10 20/15 20/20 20/25 20/63 20/100 20/125 20/150 20/200 20/400 20/800")


def read(kind: str | Kind, text: str) -> list[Value]:
    """Every value that the whole of a text reads as."""
    words = tuple(normalise(text).split())
    reader = KINDS[kind] if isinstance(kind, str) else kind
    return sorted({value for end, value in reader.read(words, 0) if end == len(words)}, key=str)


@pytest.mark.parametrize("numbers", [SPHERE, CYLINDER, AXIS, PD, AGE, LINES], ids=lambda one: one.allowed[:20])
def test_every_way_to_say_every_number_reads_as_that_number_alone(numbers: Range) -> None:
    ways = 0
    for value in numbers.values():
        assert numbers.admits(value)
        for words in (*numbers.kind.say(value), *numbers.kind.write(value)):
            assert read(numbers.kind, words) == [value], words
            ways += 1
    assert ways > len(list(numbers.values()))


def test_the_ranges_hold_what_the_dials_hold() -> None:
    # +-20.00 in quarters is 161 powers; 0 to -8.00 is 33; 40 to 80 mm in halves is 81 (arithmetic)
    assert [len(list(one.values())) for one in (SPHERE, CYLINDER, AXIS, PD, AGE)] == [161, 33, 180, 81, 120]


@pytest.mark.parametrize(
    ("text", "hundredths"),
    [
        ("minus two point two five", -225),
        ("minus two twenty-five", -225),
        ("minus two and a quarter", -225),
        ("minus two point twenty-five", -225),
        ("negative two twenty five", -225),
        ("plus one and a half", 150),
        ("plus one point five", 150),
        ("plus one point five oh", 150),
        ("plus one fifty", 150),
        ("positive one fifty", 150),
        ("minus three quarters", -75),
        ("minus three quarters of a dioptre", -75),
        ("minus point seven five", -75),
        ("minus oh point seven five", -75),
        ("minus oh seventy five", -75),
        ("minus zero seventy five", -75),
        ("minus a half", -50),
        ("minus half a diopter", -50),
        ("plus a quarter", 25),
        ("minus two dioptres", -200),
        ("minus two oh oh", -200),
        ("minus twelve seventy five", -1275),
        ("minus twenty", -2000),
        ("plus zero", 0),
        ("plano", 0),
        ("-2.25", -225),
        ("+.5", 50),
        ("-2.25D", -225),
        ("-225", -225),  # as it is jotted down, and as recognisers write "two twenty five"
        ("minus 2 25", -225),
        ("-2 1/4", -225),
    ],
)
def test_powers_as_clinicians_say_them(text: str, hundredths: int) -> None:
    # common practice, no source
    assert read("power", text) == [hundredths]
    assert SPHERE.admits(hundredths)


@pytest.mark.parametrize(
    ("text", "hundredths"),
    [
        ("minus two point three", -230),
        ("minus two point three seven five", -237.5),
        ("minus two thirty", -230),
        ("minus two oh five", -205),
        ("minus thirty", -3000),
        ("plus twenty twenty five", 2025),
        ("minus two hundred", -20000),
        ("minus seventy five", -7500),  # some say it for 0.75: asked again, never guessed
        ("minus two hundred twenty five", -22500),
        ("-200", -20000),
        ("-2.1", -210),
    ],
)
def test_powers_the_dials_do_not_have_are_read_but_not_admitted(text: str, hundredths: float) -> None:
    assert read("power", text) == [hundredths]
    assert not SPHERE.admits(hundredths)


@pytest.mark.parametrize(
    "text",
    [
        "two point two five",  # no sign
        "two",
        "a half",
        "zero point two five",
        "zero",
        "minus",
        "minus minus two",
        "minus two five",  # 2.5, 25 or 2 to 5: not guessed
        "minus one half",  # half of "one and a half"
        "minus one quarter",
        "minus two point",
        "minus two and",
        "minus two and a third",
        "plus two plus three",
        "dioptres",
        "",
    ],
)
def test_what_is_no_clear_power_is_not_read(text: str) -> None:
    assert read("power", text) == []


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("ninety", 90),
        ("one seventy five", 175),
        ("one hundred sixty two", 162),
        ("one hundred and sixty two", 162),
        ("a hundred and eighty", 180),
        ("a hundred", 100),
        ("five", 5),
        ("oh five", 5),
        ("zero zero five", 5),
        ("zero nine zero", 90),
        ("oh nine oh", 90),
        ("zero ninety", 90),
        ("one eight zero", 180),
        ("one oh five", 105),
        ("one ten", 110),
        ("nine zero", 90),
        ("ninety degrees", 90),
        ("175", 175),
        ("090", 90),
        ("two hundred", 200),
        ("one ninety", 190),
        ("two seventy", 270),
        ("zero", 0),
        ("ninety and a half", 90.5),
        ("ninety point five", 90.5),
    ],
)
def test_axes_as_clinicians_say_them(text: str, degrees: float) -> None:
    assert read("degrees", text) == [degrees]
    assert AXIS.admits(degrees) == (1 <= degrees <= 180 and degrees == int(degrees))


@pytest.mark.parametrize("text", ["", "axis", "one hundred eighty five six", "hundred", "ninety ninety", "minus five"])
def test_what_is_no_axis_is_not_read(text: str) -> None:
    assert read("degrees", text) == []


@pytest.mark.parametrize(
    ("text", "number", "in_pd"),
    [
        ("sixty two", 62, True),
        ("sixty two and a half", 62.5, True),
        ("sixty two point five", 62.5, True),
        ("six two", 62, True),
        ("62 mm", 62, True),
        ("sixty two millimeters", 62, True),
        ("62.5", 62.5, True),
        ("62.3", 62.3, False),
        ("39.5", 39.5, False),
        ("eighty and a half", 80.5, False),
        ("one hundred and two", 102, False),
    ],
)
def test_millimetres(text: str, number: float, in_pd: bool) -> None:
    assert read("count", text) == [number]
    assert PD.admits(number) is in_pd


def test_whole_millimetres_are_whole_numbers() -> None:
    assert [type(value) for value in PD.values()][:2] == [int, float]
    assert [type(value) for value in read("count", "62.0")] == [int]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("twenty twenty five", "20/25"),
        ("twenty over forty", "20/40"),
        ("twenty slash forty", "20/40"),
        ("twenty four hundred", "20/400"),
        ("twenty two hundred", "20/200"),
        ("twenty one fifty", "20/150"),
        ("twenty one hundred and fifty", "20/150"),
        ("twenty twenty", "20/20"),
        ("twenty twenty minus two", "20/20-2"),
        ("twenty twenty five plus one", "20/25+1"),
        ("twenty twenty five minus two letters", "20/25-2"),
        ("20/25-2", "20/25-2"),
        ("20/20 + 3", "20/20+3"),
        ("2025", "20/25"),
        ("six over six", "20/20"),
        ("six nine", "20/30"),
        ("six sixty", "20/200"),
        ("6/7.5", "20/25"),
        ("6/12-1", "20/40-1"),
        ("twenty over five", "20/5"),
        ("twenty thirty seven", "20/37"),
        ("6/5", "6/5"),
    ],
)
def test_lines_of_the_chart(text: str, line: str) -> None:
    assert read("snellen", text) == [line]


@pytest.mark.parametrize(
    "text",
    [
        "twenty five",
        "twenty two five",
        "twenty",
        "six",
        "twenty over",
        "over forty",
        "twelve twelve",
        "20/",
        "",
    ],
)
def test_what_is_no_line_is_not_read(text: str) -> None:
    assert read("snellen", text) == []


@pytest.mark.parametrize("line", ["20/37", "6/5", "20/25-5", "20/25-0", "20/25+5", "20/25+12", "20/7.5", "20/5"])
def test_lines_and_letters_a_chart_does_not_have(line: str) -> None:
    assert not LINES.admits(line)


def test_metric_lines_are_turned_only_where_it_is_exact() -> None:
    # decimal acuity = 20/x = 6/y, so x = y * 20/6; 6/9.6 is 20/32 of the 0.1 logMAR series
    for metres, feet in METRES_TO_FEET.items():
        assert float(metres) * 20 / 6 == pytest.approx(float(feet), abs=0.01)


def test_only_a_line_in_feet_can_be_said() -> None:
    with pytest.raises(ValueError, match=r"acuity: '6/6' is not a 20-foot line"):
        say_snellen("6/6")
    assert say_snellen("20/5") == ("twenty over five",)


@pytest.mark.parametrize(
    ("kind", "tag"),
    [
        ("degrees", "from 1 to 180"),
        ("degrees", "from 180 to 1 by 1"),
        ("degrees", "from 1 to 180 by 0"),
        ("degrees", "from 1 to 180 by 2"),
        ("degrees", "from one to two by 1"),
        ("degrees", "lines 20/20"),
        ("snellen", "from 1 to 180 by 1"),
        ("snellen", "lines"),
        ("snellen", "lines 6/6"),
    ],
)
def test_a_range_must_make_sense(kind: str, tag: str) -> None:
    with pytest.raises(ValueError, match="such as"):
        Range.parse(KINDS[kind], tag)


def test_a_range_says_what_is_allowed() -> None:
    assert SPHERE.allowed == "-20.00 to +20.00 in steps of 0.25"
    assert AXIS.allowed == "1 to 180"
    assert PD.allowed == "40 to 80 in steps of 0.5"
    assert LINES.allowed.startswith("one of 20/10, 20/15")


def test_fine_powers_are_said_too() -> None:
    # a range by 0.05 has powers that are no quarters: they are said and read all the same
    fine = Range.parse(KINDS["power"], "from -0.20 to +2.20 by 0.05")
    for words, value in fine.forms():
        assert read("power", words) == [value], words
    assert {"minus", "plus", "plano"} <= fine.words()


WORDS = sorted(SPHERE.words() | AXIS.words() | LINES.words() | {"and", "a", "hundred", "over", "oh", "dioptres", "m"})


@given(st.lists(st.sampled_from(WORDS), max_size=12))
def test_no_row_of_number_words_reads_as_two_numbers(words: list[str]) -> None:
    text = " ".join(words)
    for kind in KINDS.values():
        assert len(read(kind, text)) <= 1, text

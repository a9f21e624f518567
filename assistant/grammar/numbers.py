"""Numbers as clinicians say them: words to values, values to every way of saying them.

Four kinds of number, each read and said by its own pair of functions:

    power    signed dioptres, "minus two and a quarter", "plano"; values in hundredths of a dioptre (-225)
    degrees  an axis, "one seventy five", "zero nine zero"; values in whole degrees
    count    millimetres or years, "sixty two and a half"; values 62 or 62.5
    snellen  a line of the chart, "twenty twenty five minus two"; values such as "20/25-2"

Reading and saying are written apart, so that the round trip is a test of both. Reading knows nothing of
ranges: "minus two point three" reads as -230, and `Range` decides that the dials have no such power. Nothing
is rounded.

What is on purpose not read, because one slip of the ear would change the value: a power without its sign (but
for "plano"); "one half" and "one quarter" (half of "one and a half"); a power digit by digit ("minus
two five").
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache

from .normalise import DIGITS, TEENS, TENS, cardinal, digit_by_digit, short

Words = tuple[str, ...]
Value = int | float | str

METRES_TO_FEET = {  # 6/x lines with an exact 20-foot partner (x * 20/6); other metric lines are out of range
    "3": "10", "6": "20", "7.5": "25", "9": "30", "9.6": "32", "12": "40", "15": "50", "18": "60", "21": "70",
    "24": "80", "30": "100", "36": "120", "48": "160", "60": "200", "120": "400",
}  # fmt: skip
LETTERS_A_LINE = 5  # letters missed of a line, or read of the next one, are fewer than this (common charts)

_DIGIT = {word: value for value, word in enumerate(DIGITS)} | {"oh": 0, "o": 0}
_TEEN = {word: value for value, word in enumerate(TEENS, 10)}
_TEN = {word: 10 * value for value, word in enumerate(TENS) if word}
_FRACTION = {"half": 50, "a half": 50, "a quarter": 25, "quarter": 25, "three quarters": 75}
_SIGN = {"plus": 1, "positive": 1, "minus": -1, "negative": -1}
_POWER_UNIT = ("", "dioptre", "dioptres", "d", "a dioptre", "of a dioptre")
_LENGTH_UNIT = ("", "millimetres", "mm", "m m")

Read = tuple[int, Value]  # where the number ends, and its value


def _pair(words: Words, at: int) -> Iterator[tuple[int, int]]:
    """A number 10-99 as a cardinal: "twelve", "twenty", "twenty five"."""
    word = words[at] if at < len(words) else ""
    if word in _TEEN:
        yield at + 1, _TEEN[word]
    if word in _TEN:
        yield at + 1, _TEN[word]
        if at + 1 < len(words) and _DIGIT.get(words[at + 1], 0) > 0:
            yield at + 2, _TEN[word] + _DIGIT[words[at + 1]]


def _below_hundred(words: Words, at: int) -> Iterator[tuple[int, int]]:
    if at < len(words) and words[at] in DIGITS:
        yield at + 1, _DIGIT[words[at]]
    yield from _pair(words, at)


def _whole(words: Words, at: int) -> Iterator[tuple[int, int]]:
    """A whole number 0-999: "five", "a hundred", "one hundred and sixty two"."""
    yield from _below_hundred(words, at)
    hundreds = 1 if words[at : at + 1] == ("a",) else _DIGIT.get(words[at], 0) if at < len(words) else 0
    if hundreds and words[at + 1 : at + 2] == ("hundred",):
        yield at + 2, hundreds * 100
        after = at + 3 if words[at + 2 : at + 3] == ("and",) else at + 2
        for end, rest in _below_hundred(words, after):
            if rest:
                yield end, hundreds * 100 + rest


def _digits(words: Words, at: int, most: int) -> Iterator[tuple[int, str]]:
    """One to `most` digits, one a word."""
    digits = ""
    while len(digits) < most and at < len(words) and words[at] in _DIGIT:
        digits += str(_DIGIT[words[at]])
        at += 1
        yield at, digits


def _ends(words: Words, at: int, endings: Sequence[str]) -> Iterator[int]:
    """Where the text can end after one of `endings`; "" is the place itself."""
    for ending in endings:
        parts = tuple(ending.split())
        if words[at : at + len(parts)] == parts:
            yield at + len(parts)


def _decimals(words: Words, at: int) -> Iterator[tuple[int, float]]:
    """What follows "point", in hundredths: digits, or a two-digit number ("point twenty five")."""
    for end, digits in _digits(words, at, 3):
        yield end, int(digits) * 10 ** (2 - len(digits)) if len(digits) < 3 else int(digits) / 10
    yield from _pair(words, at)


def _magnitude(words: Words, at: int) -> Iterator[tuple[int, float]]:
    """An unsigned power in hundredths of a dioptre."""
    for end, whole in _whole(words, at):
        yield end, whole * 100
        if words[end : end + 1] == ("point",):
            for last, part in _decimals(words, end + 1):
                yield last, whole * 100 + part
        if whole < 100:
            for last, part in _pair(words, end):  # "two twenty five"
                yield last, whole * 100 + part
            for last, digits in _digits(words, end, 2):  # "two oh five", "two oh oh"
                if len(digits) == 2 and words[end] in ("oh", "o"):
                    yield last, whole * 100 + int(digits)
        if words[end : end + 1] == ("and",):
            for fraction, part in _FRACTION.items():
                for last in _ends(words, end + 1, (fraction,)):
                    yield last, whole * 100 + part
    for fraction, part in _FRACTION.items():
        for last in _ends(words, at, (fraction,)):
            yield last, part
    if words[at : at + 1] == ("point",):
        yield from _decimals(words, at + 1)
    if at < len(words) and words[at] in ("oh", "o"):
        yield from _pair(words, at + 1)  # "oh seventy five"
        if words[at + 1 : at + 2] == ("point",):
            yield from _decimals(words, at + 2)


def _plain(number: float) -> int | float:
    """A whole number as int, so that 62.0 and 62 are one value."""
    return int(number) if number == int(number) else number


def read_power(words: Words, at: int = 0) -> Iterator[Read]:
    """Signed powers that begin at word `at`: (where each ends, hundredths of a dioptre)."""
    for end in _ends(words, at, ("plano",)):
        yield end, 0
    sign = _SIGN.get(words[at]) if at < len(words) else None
    if sign is not None:
        for end, size in _magnitude(words, at + 1):
            for last in _ends(words, end, _POWER_UNIT):
                yield last, _plain(sign * size)


def _parts(words: Words, at: int) -> Iterator[tuple[int, float]]:
    """What may follow a whole number of degrees or millimetres: nothing, "point five", "and a half"."""
    yield at, 0.0
    if words[at : at + 1] == ("point",):
        for end, digits in _digits(words, at + 1, 3):
            yield end, int(digits) / 10 ** len(digits)
    for end in _ends(words, at, ("and a half",)):
        yield end, 0.5


def _any_whole(words: Words, at: int) -> Iterator[tuple[int, int]]:
    """A whole number as one says it: "one hundred sixty two", "one sixty two", "one six two", "oh two"."""
    yield from _whole(words, at)
    for end, digits in _digits(words, at, 3):
        if len(digits) > 1:
            yield end, int(digits)
    for end, digits in _digits(words, at, 1):
        for last, pair in _pair(words, end):
            yield last, int(digits) * 100 + pair


def _measure(words: Words, at: int, units: Sequence[str]) -> Iterator[Read]:
    for end, whole in _any_whole(words, at):
        for last, part in _parts(words, end):
            for final in _ends(words, last, units):
                yield final, _plain(round(whole + part, 3))


def read_degrees(words: Words, at: int = 0) -> Iterator[Read]:
    """Axes that begin at word `at`: (where each ends, degrees)."""
    return _measure(words, at, ("", "degrees", "degree"))


def read_count(words: Words, at: int = 0) -> Iterator[Read]:
    """Millimetres or years that begin at word `at`: (where each ends, the number, halves allowed)."""
    return _measure(words, at, _LENGTH_UNIT)


def _denominators(words: Words, at: int) -> Iterator[tuple[int, str]]:
    for end, whole in _whole(words, at):
        yield end, str(whole)
        if words[end : end + 1] == ("point",):
            for last, digits in _digits(words, end + 1, 2):
                yield last, f"{whole}.{digits}"
    for end, digit in _below_hundred(words, at):  # "one fifty"
        for last, pair in _pair(words, end):
            if 0 < digit < 10:
                yield last, f"{digit}{pair}"


def read_snellen(words: Words, at: int = 0) -> Iterator[Read]:
    """Lines that begin at word `at`: (where each ends, "20/25" or "20/25-2").

    Six-metre lines become their exact 20-foot partner; one without a partner stays as it is ("6/5").
    """
    if at >= len(words) or words[at] not in ("twenty", "six"):
        return
    top = "20" if words[at] == "twenty" else "6"
    over = words[at + 1 : at + 2] in (("over",), ("slash",))
    for end, bottom in _denominators(words, at + (2 if over else 1)):
        if top == "20" and not over and (len(bottom.split(".")[0]) < 2 or "." in bottom):
            continue  # "twenty five" is a number, not a line
        feet = METRES_TO_FEET.get(bottom) if top == "6" else None
        line = f"20/{feet}" if feet else f"{top}/{bottom}"
        yield end, line
        if words[end : end + 1] in (("minus",), ("plus",)):
            for last, letters in _below_hundred(words, end + 1):
                for final in _ends(words, last, ("", "letter", "letters")):
                    yield final, f"{line}{'-' if words[end] == 'minus' else '+'}{letters}"


def say_power(value: Value) -> tuple[str, ...]:
    """Every usual way to say a power in quarter dioptres (`value` in hundredths), the commonest first."""
    power = int(value)
    if power == 0:
        return ("plano",)
    sign = "plus" if power > 0 else "minus"
    whole, part = divmod(abs(power), 100)
    name = cardinal(whole)
    digits = f"{part:02d}"
    pair = cardinal(part)
    spoken_digits = digit_by_digit(digits.rstrip("0"))
    if not part:
        sizes = [name, f"{name} point zero", f"{name} point zero zero", f"{name} oh oh"]
    elif whole:
        fraction = {25: "a quarter", 50: "a half", 75: "three quarters"}.get(part)
        sizes = [f"{name} point {spoken_digits}", f"{name} {pair}" if part > 9 else f"{name} oh {pair}"]
        sizes += [f"{name} and {fraction}"] if fraction else []
        sizes += [f"{name} point {spoken_digits} zero"] if digits.endswith("0") else []
        sizes += [f"{name} point {pair}"] if part > 9 else []
    else:
        fractions = {25: ["a quarter", "quarter"], 50: ["a half", "half"], 75: ["three quarters"]}.get(part, [])
        sizes = [*fractions, *(f"{before}point {spoken_digits}" for before in ("", "zero ", "oh "))]
        sizes += [f"{before} {pair}" for before in ("oh", "zero")] if part > 9 else []
    return tuple(f"{sign} {size}" for size in sizes)


def say_degrees(value: Value) -> tuple[str, ...]:
    """Every usual way to say an axis, the commonest first: "one seventy five", then the longer."""
    degrees = int(value)
    hundreds, rest = divmod(degrees, 100)
    ways = [short(degrees), cardinal(degrees)]
    if hundreds and rest:
        ways.append(f"{DIGITS[hundreds]} hundred and {cardinal(rest)}")
    if hundreds == 1:
        ways.append(f"a hundred{f' and {cardinal(rest)}' if rest else ''}")
    if degrees < 10:
        ways += [f"oh {DIGITS[degrees]}", f"zero {DIGITS[degrees]}"]
    three = f"{degrees:03d}"
    ways += [digit_by_digit(three), digit_by_digit(three).replace("zero", "oh")]
    return tuple(dict.fromkeys(ways))


def say_count(value: Value) -> tuple[str, ...]:
    """Every usual way to say millimetres or years, halves included, the commonest first."""
    number = float(value)
    whole = int(number)
    hundreds, rest = divmod(whole, 100)
    names = [cardinal(whole)]
    names += [f"{DIGITS[hundreds]} hundred and {cardinal(rest)}"] if hundreds and rest else []
    if number == whole:
        return tuple(names)
    return tuple(f"{name}{part}" for name in names for part in (" and a half", " point five"))


def say_snellen(value: Value) -> tuple[str, ...]:
    """Every usual way to say a 20-foot line, with letters missed or read beyond, the commonest first."""
    found = re.fullmatch(r"20/(\d+)(?:([+-])(\d))?", str(value))
    if found is None:
        raise ValueError(f"acuity: {value!r} is not a 20-foot line such as 20/25 or 20/25-2")
    bottom = int(found[1])
    names = tuple(dict.fromkeys((short(bottom), cardinal(bottom))))
    sign = {None: "", "-": " minus ", "+": " plus "}[found[2]]
    letters = f"{sign}{cardinal(int(found[3]))}" if found[3] else ""
    joins = [" ", " over "] if bottom > 9 else [" over "]
    return tuple(f"twenty{join}{name}{letters}" for join in joins for name in names)


def _write_power(value: Value) -> tuple[str, ...]:
    power = int(value)
    if power == 0:
        return ("plano",)
    sign, word = ("+", "plus") if power > 0 else ("-", "minus")
    size = f"{abs(power) / 100:.2f}"
    sizes = dict.fromkeys((size, size.rstrip("0").rstrip("."), size.removeprefix("0")))
    if abs(power) > 100 and power % 100:
        sizes[str(abs(power))] = None  # "-225"
    return tuple(f"{before}{size}" for before in (sign, f"{word} ") for size in sizes)


def _write_degrees(value: Value) -> tuple[str, ...]:
    return tuple(dict.fromkeys((str(value), f"{value:03}")))


def _write_count(value: Value) -> tuple[str, ...]:
    return (str(value),)


def _write_snellen(value: Value) -> tuple[str, ...]:
    return (str(value),)


@dataclass(frozen=True)
class Kind:
    """A kind of number: how it is read, said (words) and written (digits, as some recognisers put it)."""

    name: str
    scale: int  # values are this many times what grammar files write: powers are hundredths inside
    read: Callable[[Words, int], Iterator[Read]]
    say: Callable[[Value], tuple[str, ...]]
    write: Callable[[Value], tuple[str, ...]]


KINDS = {
    kind.name: kind
    for kind in (
        Kind("power", 100, read_power, say_power, _write_power),
        Kind("degrees", 1, read_degrees, say_degrees, _write_degrees),
        Kind("count", 1, read_count, say_count, _write_count),
        Kind("snellen", 1, read_snellen, say_snellen, _write_snellen),
    )
}

_LIMITS = re.compile(r"from ([+-]?\d+(?:\.\d+)?) to ([+-]?\d+(?:\.\d+)?) by (\d+(?:\.\d+)?)")
_LINE = re.compile(r"20/[1-9]\d{0,2}")


@dataclass(frozen=True)
class Range:
    """The numbers that one place in a grammar allows; everything else there is out of range.

    Either from `low` to `high` by `step` (in the kind's own units: hundredths of a dioptre, degrees,
    millimetres, years), or the chart's `lines`, each also with one to four letters missed (-) or read of the
    next line (+).
    """

    kind: Kind
    low: int | float = 0
    high: int | float = 0
    step: int | float = 1
    lines: tuple[str, ...] = ()

    @staticmethod
    def parse(kind: Kind, text: str) -> Range:
        """From a tag: "from -20.00 to +20.00 by 0.25" or "lines 20/20 20/25". ValueError if neither."""
        if kind.name == "snellen":
            lines = tuple(text.removeprefix("lines ").split()) if text.startswith("lines ") else ()
            if not lines or not all(_LINE.fullmatch(line) for line in lines):
                raise ValueError(f"{text!r} is not a list of lines such as {{lines 20/20 20/25 20/30}}")
            return Range(kind, lines=lines)
        found = _LIMITS.fullmatch(text)
        limits = found.groups() if found else ("0", "0", "0")
        low, high, step = (_plain(round(float(limit) * kind.scale, 6)) for limit in limits)
        if not low < high or step <= 0 or (high - low) % step:
            raise ValueError(f"{text!r} is not a range such as {{from 1 to 180 by 1}}, a whole number of steps")
        return Range(kind, low, high, step)

    def admits(self, value: Value) -> bool:
        if isinstance(value, str):
            line, sign, letters = re.split(r"([+-])", value) if re.search(r"[+-]", value) else (value, "", "")
            return line in self.lines and (not sign or 0 < int(letters) < LETTERS_A_LINE)
        return self.low <= value <= self.high and (value - self.low) % self.step == 0

    def values(self) -> Iterator[Value]:
        """Every number allowed, in order."""
        if self.lines:
            ends = ["", *(f"{sign}{letters}" for sign in "-+" for letters in range(1, LETTERS_A_LINE))]
            yield from (line + end for line in self.lines for end in ends)
        else:
            for step in range(int((self.high - self.low) / self.step) + 1):
                yield _plain(self.low + step * self.step)

    def forms(self) -> Iterator[tuple[str, Value]]:
        """Every way to say every number allowed: (words, value)."""
        for value in self.values():
            for words in self.kind.say(value):
                yield words, value

    def words(self) -> frozenset[str]:
        """Every word that may be said for one of the numbers."""
        return _words(self)

    @property
    def allowed(self) -> str:
        """What is allowed, in words for an error or a prompt."""
        if self.lines:
            return "one of " + ", ".join(self.lines)
        if self.kind.scale == 100:
            return f"{self.low / 100:+.2f} to {self.high / 100:+.2f} in steps of {self.step / 100:.2f}"
        return f"{self.low} to {self.high}" + (f" in steps of {self.step}" if self.step != 1 else "")


@cache  # of a few ranges, asked for by every listening state
def _words(numbers: Range) -> frozenset[str]:
    return frozenset(word for words, _ in numbers.forms() for word in words.split())

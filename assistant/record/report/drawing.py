"""Small helpers for pictures in SVG: scales, ticks, and the marks that stand for answers.

Marks differ by shape first and colour second: *one* is a disc, *two* a square, *the same* a pair of bars;
what was chosen is filled, what was not is small and open, and a hesitant choice is a thick ring on a dashed rod.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

from .markup import Child, Html, el, joined, number

Scale = Callable[[float], float]

# Steps that ticks may take, dioptres and degrees alike.
_NICE = (0.25, 0.5, 1.0, 2.0, 4.0, 5.0, 10.0, 15.0, 30.0, 45.0, 90.0)


def linear(low: float, high: float, from_: float, to: float) -> Scale:
    """A scale that carries low..high to from_..to."""
    span = (high - low) or 1.0
    return lambda value: from_ + (value - low) / span * (to - from_)


def ticks(low: float, high: float, most: int) -> list[float]:
    """At most `most` round values within low..high."""
    for step in _NICE:
        first = math.ceil(low / step - 1e-9)
        last = math.floor(high / step + 1e-9)
        if last - first + 1 <= most:
            return [place * step for place in range(first, last + 1)]
    return []


def text(x: float, y: float, words: Child, class_: str = "", anchor: str = "start", **more: object) -> Html:
    return el("text", words, x=x, y=y, text_anchor=anchor, class_=class_ or None, **more)


def line(x1: float, y1: float, x2: float, y2: float, class_: str, **more: object) -> Html:
    return el("line", x1=x1, y1=y1, x2=x2, y2=y2, class_=class_, **more)


def path(points: Iterable[tuple[float, float]], class_: str, close: bool = False, **more: object) -> Html:
    d = " ".join(f"{'M' if place == 0 else 'L'}{number(x)} {number(y)}" for place, (x, y) in enumerate(points))
    return el("path", d=d + ("Z" if close else ""), class_=class_, **more)


def disc(x: float, y: float, r: float, class_: str) -> Html:
    return el("circle", cx=x, cy=y, r=r, class_=class_)


def square(x: float, y: float, r: float, class_: str) -> Html:
    """A square of the same weight as a disc of radius r."""
    half = r * 0.9
    return el("rect", x=x - half, y=y - half, width=2 * half, height=2 * half, class_=class_)


def diamond(x: float, y: float, r: float, class_: str) -> Html:
    return path(((x, y - r), (x + r, y), (x, y + r), (x - r, y)), class_, close=True)


def cross(x: float, y: float, r: float, class_: str) -> Html:
    return el(
        "path",
        d=f"M{number(x - r)} {number(y - r)}L{number(x + r)} {number(y + r)}"
        f"M{number(x - r)} {number(y + r)}L{number(x + r)} {number(y - r)}",
        class_=class_,
    )


def picture(width: float, height: float, name: str, *children: Child, class_: str = "", **more: object) -> Html:
    """An SVG picture whose text alternative is `name`."""
    return el(
        "svg",
        children,
        viewBox=f"0 0 {number(width)} {number(height)}",
        width=number(width),
        height=number(height),
        role="img",
        aria_label=name,
        class_=class_ or None,
        **more,
    )


def room(values: list[float], least: float) -> tuple[float, float]:
    """A range that holds the values with a little air, and is at least so wide."""
    low, high = min(values), max(values)
    air = max((high - low) * 0.06, 0.06)
    low, high = low - air, high + air
    if high - low < least:
        middle = (low + high) / 2
        low, high = middle - least / 2, middle + least / 2
    return low, high


# ------------------------------------------------------------------------------------------------- answers
def side(x: float, y: float, which: str, chosen: bool, hedged: bool = False, r: float = 4.0) -> Html:
    """The mark of a lens offered, `which` "first" or "second": filled where it was chosen, a thick ring where it was
    chosen with hesitation, small and open where it was not.
    """
    state = "open" if not chosen else "open thick" if hedged else "chosen"
    size = r if chosen else r * 0.65
    return disc(x, y, size, f"{which} {state}") if which == "first" else square(x, y, size, f"{which} {state}")


def bars(x: float, y: float, hedged: bool = False) -> Html:
    """Two bars: the same."""
    class_ = "bar hedged" if hedged else "bar"
    return joined(line(x - 4, y - 2, x + 4, y - 2, class_), line(x - 4, y + 2, x + 4, y + 2, class_))


def badge(x: float, y: float, meaning: str | None, hedged: bool, line_read: str | None) -> Html:
    """The answer itself, small: a numbered disc or square, bars, a tick, a cross, a question mark, a dash."""
    state = "open" if hedged else "chosen"
    ink = "in-open" if hedged else "in-chosen"
    r = 6.0
    if meaning == "first":
        return el("g", disc(x, y, r, f"first {state}"), text(x, y + 3.4, "1", f"digit first-{ink}", "middle"))
    if meaning == "second":
        return el("g", square(x, y, r, f"second {state}"), text(x, y + 3.4, "2", f"digit second-{ink}", "middle"))
    if meaning == "same":
        return bars(x, y, hedged)
    if meaning == "yes":
        return path(((x - 4.5, y), (x - 1.5, y + 3.5), (x + 4.5, y - 4)), "stroke")
    if meaning == "no":
        return cross(x, y, 3.6, "stroke")
    if line_read is not None:
        return diamond(x, y, 4.2, "reading")
    if meaning == "unsure":
        return text(x, y + 4, "?", "glyph", "middle")
    if meaning is None:
        return line(x - 2.5, y, x + 2.5, y, "faint")
    return disc(x, y, 2.2, "other")


def tick_mark(x: float, y: float) -> Html:
    """A tick mark: something was read."""
    return path(((x - 4, y), (x - 1.2, y + 3), (x + 4, y - 3.6)), "stroke")


def disc_tick(x: float, y: float) -> Html:
    """A filled disc with a tick: a letter was read."""
    return joined(
        disc(x, y, 6.5, "read"),
        path(((x - 3, y), (x - 0.8, y + 2.6), (x + 3.2, y - 2.6)), "tick-on"),
    )

"""The lines an eye read, against the lens they were read through."""

from __future__ import annotations

import math

from . import drawing as draw
from .drawing import text
from .markup import Html
from .story import PLUS, EyeStory, Reading, lens_text, readings

LINES = (12.5, 20.0, 40.0, 100.0, 200.0, 400.0)


def acuity_scale(read: list[Reading], top: float, height: float) -> tuple[draw.Scale, list[float]]:
    """Better acuity is higher; the scale is logMAR, so that every chart line is as far from the next."""
    known = [held.logmar for held in read if held.logmar is not None]
    low, high = min([*known, -0.05]) - 0.12, max([*known, 0.35]) + 0.08
    lines = [feet for feet in LINES if low <= math.log10(feet / 20) <= high]
    return draw.linear(low, high, top, top + height), lines


def acuity_by_power(eye: EyeStory) -> Html | None:
    """The line read against the spherical equivalent of the lens it was read through.

    The spherical equivalent, not the sphere alone: it holds while cylinder is traded for sphere.
    """
    read = [held for held in readings(eye) if held.logmar is not None and held.apart != "pinhole"]
    if not read:
        return None
    width, height = 300.0, 246.0
    left, right, top, bottom = 52.0, 286.0, 20.0, 200.0
    powers = [held.lens.spherical_equivalent for held in read]
    low, high = draw.room(powers, 1.0)
    across = draw.linear(high, low, left, right)  # more minus to the right: each click of it must buy letters
    scale, lines = acuity_scale(read, top, bottom - top)
    parts: list[Html] = []
    for feet in lines:
        y = scale(math.log10(feet / 20))
        parts += [
            draw.line(left, y, right, y, "grid"),
            text(left - 6, y + 4, f"20/{feet:g}", "tick-label", "end"),
        ]
    for value in draw.ticks(low, high, 4):
        x = across(value)
        parts += [
            draw.line(x, top, x, bottom, "grid"),
            text(x, bottom + 16, f"{value:+.2f}" if value else "0.00", "tick-label", "middle"),
        ]
    parts.append(
        text((left + right) / 2, bottom + 37, "spherical equivalent, D (more minus →)", "small-label", "middle")
    )
    points = [(across(power), scale(held.logmar or 0.0)) for power, held in zip(powers, read, strict=True)]
    parts.append(draw.path(points, "reading-line"))
    final = _last(read)
    for place, (x, y) in enumerate(points):
        last = place == final
        parts.append(draw.diamond(x, y, 7.0 if last else 4.6, "reading last" if last else "reading"))
    parts += _labels(points, read, (left, right + 10, top - 14, bottom))
    return draw.picture(width, height, f"{eye.eye.capitalize()} eye. {gain(read)}", parts, class_="panel")


Box = tuple[float, float, float, float]  # left, right, top, bottom


def _labels(points: list[tuple[float, float]], read: list[Reading], room: Box) -> list[Html]:
    """The lines read, written beside their points where there is room: the last one and the first go first."""
    last = _last(read)
    order = sorted(range(len(read)), key=lambda place: (place != last, not read[place].apart, place))
    taken: list[Box] = [(x - 6, x + 6, y - 6, y + 6) for x, y in points]
    made = []
    for place in order:
        x, y = points[place]
        words = f"{read[place].line} {read[place].apart or ('last' if place == last else '')}".strip()
        long = 6.9 * len(words)
        for left, base in ((x + 10, y + 4), (x - 10 - long, y + 4), (x - long / 2, y - 11), (x - long / 2, y + 20)):
            box = (left, left + long, base - 10, base + 3)
            inside = room[0] <= box[0] and box[1] <= room[1] and room[2] <= box[2] and box[3] <= room[3]
            if inside and not any(_touch(box, other) for other in taken):
                taken.append(box)
                made.append(text(left, base, words, "point-label halo"))
                break
    return made


def _last(read: list[Reading]) -> int:
    """The place of the last line read without plus added for it alone; the very last where there is none."""
    return max((place for place, held in enumerate(read) if held.apart != PLUS), default=len(read) - 1)


def _touch(one: Box, other: Box) -> bool:
    return one[0] < other[1] and other[0] < one[1] and one[2] < other[3] and other[2] < one[3]


def gain(read: list[Reading]) -> str:
    """What the lenses did for the acuity, in words."""
    known = [held for held in read if held.logmar is not None and held.apart not in ("pinhole", PLUS)]
    if not known:
        return "No line was read."
    first, last = known[0], known[-1]
    if len(known) == 1:
        return f"One line was read: {first.line} through {lens_text(first.lens)}."
    lines = ((first.logmar or 0) - (last.logmar or 0)) / 0.1
    change = last.lens.spherical_equivalent - first.lens.spherical_equivalent
    text_ = f"From {first.line} to {last.line}"
    clicks = abs(change) / 0.25
    if clicks >= 1:
        side = "minus" if change < 0 else "plus"
        text_ += (
            f": {lines:+.0f} lines for {clicks:.0f} click{'' if round(clicks) == 1 else 's'} of {side} "
            "in the spherical equivalent"
        )
    return text_ + "."

"""The search for the cylinder in the J0/J45 plane, and the over-minus check."""

from __future__ import annotations

import math
from collections.abc import Callable

from ...optics.lens import CLICK, Lens
from ...optics.transpose import signed
from ..prescription import dioptres_written
from . import drawing as draw
from .drawing import text
from .frame import Interval
from .markup import Html, el, joined
from .story import Asked, EyeStory, OverMinus, vectors

_WIDTH, _HEIGHT = 300.0, 246.0  # of a panel
_RADIUS = 92.0  # of the plane's picture
_Point = tuple[float, float]


def plane(eye: EyeStory, interval: Interval) -> Html | None:
    """The search for the cylinder as a path in the plane of the two cross cylinders, J0 across and J45 up.

    A minus cylinder C x a stands at distance |C|/2 from the middle, in the direction 2a (Thibos 1997).
    """
    walked: list[Lens] = []
    for _, *lenses in eye.standing():
        walked += [lens for lens in lenses if not walked or walked[-1].vector[1:] != lens.vector[1:]]
    if not walked or eye.ended is None:
        return None
    pairs = [held for held in eye.asked if held.form == "choice" and len(held.lenses) == 2 and not held.undone]
    pairs = [held for held in pairs if math.dist(vectors(held)[0][1:], vectors(held)[1][1:]) > 0.02]
    # Room for the walk and a cross cylinder of 0.25 D around it; pairs shown farther out are cut off.
    reach = (max(lens.vector.astigmatism for lens in walked) + 0.25) * 1.06

    def at(j0: float, j45: float) -> _Point:
        return _WIDTH / 2 + j0 / reach * _RADIUS, _HEIGHT / 2 - j45 / reach * _RADIUS

    inside = f"inside-{eye.eye}"
    parts = _plane_grid(reach, at, below=eye.ended.vector.j45 >= 0)
    if "cylinder" in interval and "axis" in interval and eye.ended.cylinder:
        parts.append(_sector(interval, at))
    parts.append(el("clipPath", draw.disc(*at(0, 0), _RADIUS, "edge"), id=inside))
    parts.append(el("g", _shown(pairs, at), clip_path=f"url(#{inside})"))
    corners = [at(lens.vector.j0, lens.vector.j45) for lens in walked]
    parts.append(draw.path(corners, "walk"))
    parts += [draw.disc(x, y, 2.4, "walk-dot") for x, y in corners[1:-1]]
    parts.append(draw.disc(*corners[0], 5.5, "start"))
    parts.append(draw.disc(*corners[-1], 7.5, "goal-ring"))
    parts.append(draw.disc(*corners[-1], 3.6, "goal"))
    name = (
        f"{eye.eye.capitalize()} eye, the search in the plane of J0 and J45: {len(walked)} positions, from "
        f"{_cylinder_text(walked[0])} to {_cylinder_text(eye.ended)}, "
        f"J0 {dioptres_written(eye.ended.vector.j0)}, J45 {dioptres_written(eye.ended.vector.j45)} dioptres."
    )
    return draw.picture(_WIDTH, _HEIGHT, name, parts, class_="plane")


def _plane_grid(reach: float, at: Callable[[float, float], _Point], below: bool) -> list[Html]:
    """Circles of cylinder, and the axes around them. `below`: where the circles are named."""
    x0, y0 = at(0, 0)
    parts: list[Html] = []
    step = next(step for step in (0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0) if reach * 2 / step <= 4.8)
    rings = [step * place for place in range(1, int(reach * 2 / step) + 1)]
    parts += [draw.disc(x0, y0, cylinder / 2 / reach * _RADIUS, "ring") for cylinder in rings]
    for axis in range(15, 181, 15):
        doubled = math.radians(2 * axis)
        x, y = math.cos(doubled), -math.sin(doubled)
        main = axis % 45 == 0
        inner = 0 if main else _RADIUS - 5
        ends = (x0 + inner * x, y0 + inner * y, x0 + _RADIUS * x, y0 + _RADIUS * y)
        parts.append(draw.line(*ends, "spoke" if main else "tick"))
        label = "scale-label strong" if main else "scale-label"
        parts.append(text(x0 + (_RADIUS + 17) * x, y0 + (_RADIUS + 12) * y + 4, axis, label, "middle"))
    parts.append(draw.disc(x0, y0, _RADIUS, "edge"))
    for cylinder in rings:
        _, y = at(0, cylinder / 2 * (-1 if below else 1))
        parts.append(text(x0 + 4, y + (-4 if below else 12), f"{cylinder:.2f}", "ring-label halo"))
    parts.append(text(x0 + _RADIUS - 5, y0 + 14, "J0", "ring-label halo", "end"))
    parts.append(text(x0 - 5, y0 - _RADIUS + 14, "J45", "ring-label halo", "end"))
    return parts


def _shown(pairs: list[Asked], at: Callable[[float, float], _Point]) -> list[Html]:
    """The pairs shown, as thin rods, and the side preferred."""
    parts: list[Html] = []
    for held in pairs:
        ends = [at(vector.j0, vector.j45) for vector in vectors(held)]
        parts.append(draw.line(*ends[0], *ends[1], "faint-rod"))
        if held.meaning in ("first", "second"):
            end = ends[0 if held.meaning == "first" else 1]
            parts.append(draw.side(*end, held.meaning, True, held.hedged, 2.6))
    return parts


def _cylinder_text(lens: Lens) -> str:
    return f"{signed(lens.cylinder)} x {lens.axis:03d}" if lens.cylinder else "no cylinder"


def _sector(interval: Interval, at: Callable[[float, float], _Point]) -> Html:
    """The cylinder and axis that are still possible."""
    (weak, strong), (low, high) = sorted(map(abs, interval["cylinder"])), interval["axis"]
    points = []
    for radius, turns in ((strong / 2, range(13)), (weak / 2, range(12, -1, -1))):
        for part in turns:
            doubled = math.radians(2 * (low + (high - low) * part / 12))
            points.append(at(radius * math.cos(doubled), radius * math.sin(doubled)))
    return draw.path(points, "interval", close=True)


def over_minus_picture(check: OverMinus, eye: str) -> Html:
    """Clicks of plus across, one test a row in the order they were made: could a letter be read?"""
    rows = check.clicks
    most = max([click for held in rows for click in held.clicks] + [4])
    least = min([click for held in rows for click in held.clicks] + [0])
    left, right, top = 40.0, 292.0, 52.0
    row = min(20.0, 150.0 / len(rows))
    bottom = top + max(row * len(rows), 80.0)
    across = draw.linear(least, most, left + 8, right - 8)
    parts: list[Html] = []
    every = 1 if most - least <= 8 else 2 if most - least <= 16 else 4
    for click in range(least, most + 1):
        x = across(click)
        parts.append(draw.line(x, top - 8, x, bottom, "grid"))
        if click % every == 0:
            parts.append(text(x, top - 14, f"{click:+d}" if click else "0", "tick-label", "middle"))
    parts.append(text(0, 14, "Question", "small-label muted"))
    parts.append(text(right, 14, "clicks of plus added", "small-label muted", "end"))
    expected = across(3)
    parts.append(draw.line(expected, top - 8, expected, bottom, "expected"))
    parts.append(text(expected, bottom + 14, "three expected", "small-label", "middle"))
    for place, held in enumerate(rows):
        y = top + row * (place + 0.5)
        parts.append(text(left - 8, y + 4, held.place, "tick-label", "end"))
        if held.read is not None:
            x = across(held.clicks[0])
            words = "read" if held.read else "not read"
            mark = (
                draw.disc_tick(x, y)
                if held.read
                else joined(draw.disc(x, y, 6.5, "unread"), draw.cross(x, y, 3, "stroke"))
            )
            parts.append(mark)
            over = x > right - 70
            parts.append(text(x - 12 if over else x + 12, y + 4, words, "point-label halo", "end" if over else "start"))
        elif len(held.clicks) == 2:
            ends = [across(click) for click in held.clicks]
            parts.append(draw.line(ends[0], y, ends[1], y, "rod hedged" if held.hedged else "rod"))
            for which, x in zip(("first", "second"), ends, strict=True):
                chosen = held.meaning == which
                parts.append(draw.side(x, y, which, chosen, held.hedged, 5.0))
            if held.meaning == "same":
                parts.append(draw.bars(sum(ends) / 2, y))
    moved = None if check.ended is None else (check.ended - check.base) / CLICK
    if check.ended is not None and moved is not None and least <= moved <= most:
        x, y = across(moved), bottom + 20
        parts.append(draw.path(((x - 5, y + 8), (x + 5, y + 8), (x, y)), "goal", close=True))
        parts.append(text(x, y + 22, f"sphere {signed(check.ended)}", "point-label", "middle"))
    return draw.picture(_WIDTH, bottom + 46, f"{eye.capitalize()} eye. {check.said}", parts, class_="panel")

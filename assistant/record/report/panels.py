"""The search for the cylinder in the J0/J45 plane, and the over-minus check."""

from __future__ import annotations

import math
from collections.abc import Callable

from ...optics.lens import CLICK, Lens
from ...optics.transpose import signed
from . import drawing as draw
from .drawing import text
from .frame import Interval
from .markup import Html, el, joined
from .story import EyeStory, OverMinus, vectors


def plane(eye: EyeStory, interval: Interval) -> Html | None:
    """The search for the cylinder as a path in the plane of the two cross cylinders, J0 across and J45 up.

    A minus cylinder C x a stands at distance |C|/2 from the middle, in the direction 2a (Thibos 1997).
    """
    if eye.began is None or eye.ended is None:
        return None
    path_points: list[tuple[int, Lens]] = []
    for held, before, after in eye.standing():
        for place, lens in ((held.place, before), (held.place + 1, after)):
            if not path_points or path_points[-1][1].vector[1:] != lens.vector[1:]:
                path_points.append((place, lens))
    if not path_points:
        return None
    pairs = [held for held in eye.asked if held.form == "choice" and len(held.lenses) == 2 and not held.undone]
    pairs = [held for held in pairs if math.dist(vectors(held)[0][1:], vectors(held)[1][1:]) > 0.02]
    # Room for the walk and a cross cylinder of 0.25 D around it; pairs shown farther out are cut off.
    reach = max(lens.vector.astigmatism for _, lens in path_points) + 0.25
    size, middle = 300.0, 150.0
    radius = 112.0
    unit = radius / (reach * 1.06)

    def at(j0: float, j45: float) -> tuple[float, float]:
        return middle + j0 * unit, middle - j45 * unit

    parts: list[Html] = []
    step = next(step for step in (0.5, 1.0, 2.0, 4.0, 8.0, 16.0) if reach * 2 / step <= 4.5)
    rings = [step * place for place in range(1, int(reach * 2 * 1.06 / step) + 1)]
    for cylinder in rings:
        parts.append(draw.disc(middle, middle, cylinder / 2 * unit, "ring"))
    for degrees in range(0, 180, 15):
        doubled = math.radians(2 * degrees)
        x, y = math.cos(doubled), -math.sin(doubled)
        inner = 0 if degrees % 45 == 0 else radius - 5
        parts.append(
            draw.line(
                middle + inner * x,
                middle + inner * y,
                middle + radius * x,
                middle + radius * y,
                "spoke" if degrees % 45 == 0 else "tick",
            )
        )
        if degrees % 15 == 0:
            px, py = middle + (radius + 16) * x, middle + (radius + 13) * y
            strong = "scale-label strong" if degrees % 45 == 0 else "scale-label"
            parts.append(text(px, py + 4, f"{degrees or 180}", strong, "middle"))
    parts.append(draw.disc(middle, middle, radius, "edge"))
    for cylinder in rings:
        # Written on the side away from where the path ends.
        up = eye.ended.vector.j45 < 0
        y = middle + (-1 if up else 1) * cylinder / 2 * unit
        parts.append(text(middle + 4, y + (12 if up else -4), f"{cylinder:.2f}", "ring-label halo"))
    for words, (x, y), anchor in (
        ("J0", (middle + radius - 20, middle + 15), "middle"),
        ("J45", (middle + 15, middle - radius + 17), "start"),
    ):
        parts.append(text(x, y, words, "ring-label halo", anchor))
    if "cylinder" in interval and "axis" in interval and eye.ended.cylinder:
        parts.append(_sector(interval, at))
    shown: list[Html] = []
    for held in pairs:
        one, two = vectors(held)
        ends = (at(one.j0, one.j45), at(two.j0, two.j45))
        shown.append(draw.line(*ends[0], *ends[1], "faint-rod"))
        if held.meaning in ("first", "second"):
            end = ends[0 if held.meaning == "first" else 1]
            if math.dist(end, (middle, middle)) < radius:
                shown.append(draw.side(*end, held.meaning, True, held.hedged, 2.6))
    inside = f"inside-{eye.eye}"
    parts.append(el("clipPath", draw.disc(middle, middle, radius, "edge"), id=inside))
    parts.append(el("g", shown, clip_path=f"url(#{inside})"))
    corners = [at(lens.vector.j0, lens.vector.j45) for _, lens in path_points]
    parts.append(draw.path(corners, "walk"))
    for x, y in corners[1:-1]:
        parts.append(draw.disc(x, y, 2.4, "walk-dot"))
    parts.append(draw.disc(*corners[0], 5.5, "start"))
    parts.append(draw.disc(*corners[-1], 7.5, "goal-ring"))
    parts.append(draw.disc(*corners[-1], 3.6, "goal"))
    name = (
        f"{eye.eye.capitalize()} eye, the search in the plane of J0 and J45: {len(path_points)} positions, from "
        f"{_cylinder_text(path_points[0][1])} to {_cylinder_text(eye.ended)}, "
        f"J0 {eye.ended.vector.j0:+.2f}, J45 {eye.ended.vector.j45:+.2f} dioptres."
    )
    return draw.picture(size, size, name, parts, class_="plane")


def _cylinder_text(lens: Lens) -> str:
    return f"{signed(lens.cylinder)} x {lens.axis:03d}" if lens.cylinder else "no cylinder"


def _sector(interval: Interval, at: Callable[[float, float], tuple[float, float]]) -> Html:
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
    width = 300.0
    rows = check.clicks
    most = max([click for held in rows for click in held.clicks] + [4])
    least = min([click for held in rows for click in held.clicks] + [0])
    left, right, top = 40.0, 292.0, 52.0
    row = 20.0 if len(rows) <= 10 else 200.0 / len(rows)
    bottom = top + max(row * len(rows), 60.0)
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
    moved = (check.ended - check.base) / CLICK
    if least <= moved <= most:
        x, y = across(moved), bottom + 20
        parts.append(draw.path(((x - 5, y + 8), (x + 5, y + 8), (x, y)), "goal", close=True))
        parts.append(text(x, y + 22, f"sphere {signed(check.ended)}", "point-label", "middle"))
    return draw.picture(width, bottom + 50, f"{eye.capitalize()} eye. {check.said}", parts, class_="panel")

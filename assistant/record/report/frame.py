"""The prescription as a trial frame: both lenses as seen facing the wearer, with their axes."""

from __future__ import annotations

import math
from collections.abc import Mapping

from ...optics.lens import Lens
from ...optics.transpose import written
from ..events import Event
from . import drawing as draw
from .drawing import text
from .markup import Html, el

Interval = Mapping[str, tuple[float, float]]


def interval_of(eye: Event) -> Interval:
    """The intervals of an eye of the prescription, those that can be read: {"sphere": (low, high), ...}."""
    held = eye.get("interval")
    found: dict[str, tuple[float, float]] = {}
    if isinstance(held, Mapping):
        for key in ("sphere", "cylinder", "axis"):
            span = held.get(key)
            if (
                isinstance(span, (list, tuple))
                and len(span) == 2
                and all(isinstance(end, (int, float)) and not isinstance(end, bool) for end in span)
            ):
                found[key] = (float(span[0]), float(span[1]))
    if "axis" in found:
        low, high = found["axis"]
        found["axis"] = (low, low + (high - low) % 180)  # an interval may go over 180
    return found


def trial_frame(right: Lens | None, left: Lens | None, intervals: tuple[Interval, Interval], pd: str) -> Html:
    """Both lenses as seen facing the wearer: the right eye's on the left of the page, axes on the protractor's
    scale (ISO 8429: counter-clockwise from the horizontal).
    """
    name = (
        "The prescription as seen facing the wearer. "
        f"Right eye {'not measured' if right is None else written(right)}, "
        f"left eye {'not measured' if left is None else written(left)}."
    )
    bridge = (
        el("path", d="M207 92 C 224 68 276 68 293 92", class_="rim"),
        text(250, 150, pd, "pd", "middle"),
        text(250, 168, "PD", "muted", "middle"),
    )
    return draw.picture(
        500,
        226,
        name,
        _rim(125, 116, right, intervals[0], "Right"),
        bridge,
        _rim(375, 116, left, intervals[1], "Left"),
        class_="frame",
    )


def _rim(x: float, y: float, lens: Lens | None, interval: Interval, name: str) -> Html:
    radius = 82.0

    def at(degrees: float, r: float) -> tuple[float, float]:
        turned = math.radians(degrees)
        return x + r * math.cos(turned), y - r * math.sin(turned)

    parts = [draw.disc(x, y, radius, "glass")]
    for degrees in range(0, 181, 5):
        long = 11 if degrees % 30 == 0 else 7 if degrees % 10 == 0 else 4
        parts.append(draw.line(*at(degrees, radius), *at(degrees, radius - long), "tick"))
        if degrees % 30 == 0:
            words = "180" if degrees == 180 else f"{degrees}"
            px, py = at(degrees, radius + 13)
            anchor = "end" if degrees > 120 else "start" if degrees < 60 else "middle"
            px += 6 if degrees > 120 else -6 if degrees < 60 else 0
            parts.append(text(px, py + 5, words, "scale-label", anchor))
    if lens is not None and lens.cylinder:
        if "axis" in interval:
            low, high = interval["axis"]
            for half_turn in (0, 180):
                wedge = [at(low + (high - low) * part / 12 + half_turn, radius - 14) for part in range(13)]
                parts.append(draw.path([(x, y), *wedge], "interval", close=True))
        parts.append(draw.line(*at(lens.axis, radius - 3), *at(lens.axis + 180, radius - 3), "axis-line"))
        # The words go where the axis line is not.
        steep = 45 <= lens.axis <= 135
        px, py = (x + (34 if lens.axis <= 90 else -34), y + 30) if steep else (x, y + 42)
        parts.append(text(px, py, f"{lens.axis:03d}", "axis-value halo", "middle"))
    elif lens is not None:
        parts.append(text(x, y + 5, "no cylinder", "muted", "middle"))
    else:
        parts.append(text(x, y + 5, "not measured", "muted", "middle"))
    parts.append(text(x, 219, name, "rim-name", "middle"))
    return el("g", parts)

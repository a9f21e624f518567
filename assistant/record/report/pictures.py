"""The pictures of the report: the prescription as a trial frame, and each eye's exam drawn from its answers.

Every picture is an SVG with a text alternative, coloured by the page's style sheet, and needs no script.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from ...optics.lens import Lens
from ...optics.transpose import signed, written
from ..events import Event
from . import drawing as draw
from .drawing import text
from .markup import Html, el, joined, number
from .story import (
    NO_AXIS_BELOW,
    Asked,
    EyeStory,
    OverMinus,
    Reading,
    Story,
    effective,
    lens_text,
    readings,
    step_name,
    vectors,
)

NEAR = ("near", "intermediate")
Interval = Mapping[str, tuple[float, float]]


# ------------------------------------------------------------------------------------- the prescription, worn
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


# ------------------------------------------------------------------------------------- lens by question
_LEFT, _RIGHT = 66.0, 92.0  # room for the scale on the left, the result on the right
_WIDE = 1062.0  # the width aimed at; a long exam is drawn wider, and scrolls


@dataclass(frozen=True)
class _Columns:
    """Where the questions stand, from left to right."""

    count: int
    step: float

    @staticmethod
    def of(count: int) -> _Columns:
        return _Columns(count, min(34.0, max(13.5, (_WIDE - _LEFT - _RIGHT) / max(count, 1))))

    def middle(self, place: int) -> float:
        return _LEFT + (place - 0.5) * self.step

    def edge(self, place: int) -> float:
        """The right edge of a column; 0 is the left edge of the first."""
        return _LEFT + place * self.step

    @property
    def end(self) -> float:
        return self.edge(self.count)

    @property
    def width(self) -> float:
        return self.end + _RIGHT


@dataclass
class _Track:
    """One quantity over the questions, drawn between `top` and `top + height`."""

    title: str
    top: float
    height: float
    scale: draw.Scale
    shown: list[Html]


def tracks(eye: EyeStory, interval: Interval) -> Html:
    """Sphere, cylinder, axis and acuity over an eye's questions, and below them every answer by side."""
    columns = _Columns.of(len(eye.asked))
    bands, top = _bands(eye, columns)
    drawn: list[Html] = []
    top += 12
    for maker, height in ((_sphere, 156.0), (_cylinder, 88.0), (_axis, 96.0), (_acuity, 66.0)):
        made = maker(eye, columns, top, height, interval)
        if made is not None:
            drawn.append(made)
            top += height + 20
    answers, bottom = _answers(eye, columns, top)
    hits = [
        el(
            "g",
            el(
                "rect",
                x=columns.edge(held.place - 1),
                y=0,
                width=columns.step,
                height=bottom,
                class_="hit",
            ),
            el("title", held.told),
            class_="q",
            data_q=held.place,
            data_line=held.line,
            data_x=number(columns.middle(held.place)),
        )
        for held in eye.asked
    ]
    cursor = draw.line(0, 0, 0, bottom, "cursor", visibility="hidden")
    name = f"{eye.eye.capitalize()} eye, the lens over the questions. {eye.gist} {_answer_counts(eye)}"
    return draw.picture(
        columns.width,
        bottom + 4,
        name,
        _shades(eye, columns, bottom),
        bands,
        drawn,
        answers,
        cursor,
        hits,
        class_="tracks",
    )


def _answer_counts(eye: EyeStory) -> str:
    return f"One was preferred {eye.count('first')} times, two {eye.count('second')}, the same {eye.count('same')}."


def _bands(eye: EyeStory, columns: _Columns) -> tuple[Html, float]:
    """The names of the steps above the pictures, in as many rows as they need."""
    rows: list[float] = []
    parts = []
    for band in eye.bands:
        words = step_name(band.step)
        x = columns.edge(band.first - 1) + 3
        width = len(words) * 6.3 + 10
        row = next((place for place, taken in enumerate(rows) if taken <= x), len(rows))
        if row == len(rows):
            rows.append(0.0)
        rows[row] = x + width
        y = 12 + 15 * row
        parts.append((x, y, words))
    top = 12 + 15 * max(len(rows) - 1, 0) + 6
    made = [
        joined(draw.line(x - 3, y - 9, x - 3, top, "band-edge"), text(x, y, words, "band"))
        for x, y, words in parts
    ]
    return el("g", made), top


def _shades(eye: EyeStory, columns: _Columns, bottom: float) -> Html:
    """Every other step on a shade, so that the eye finds its step down the page."""
    return el(
        "g",
        [
            el(
                "rect",
                x=columns.edge(band.first - 1),
                y=18,
                width=(band.last - band.first + 1) * columns.step,
                height=bottom - 18,
                class_="shade",
            )
            for place, band in enumerate(eye.bands)
            if place % 2 == 0
        ],
    )


def _grid(
    columns: _Columns, values: list[tuple[float, str]], title: str, top: float, strong: float | None = None
) -> Html:
    parts = [text(4, top - 5, title, "track-title")]
    for y, words in values:
        parts.append(draw.line(_LEFT, y, columns.end, y, "grid"))
        parts.append(text(_LEFT - 6, y + 4, words, "tick-label", "end"))
    if strong is not None:
        parts.append(draw.line(_LEFT, strong, columns.end, strong, "grid strong"))
    return el("g", parts)


def _power_ticks(low: float, high: float, scale: draw.Scale, most: int) -> list[tuple[float, str]]:
    return [(scale(value), f"{value:+.2f}" if value else "0.00") for value in draw.ticks(low, high, most)]


def _result(columns: _Columns, y: float, words: str, span: tuple[float, float] | None) -> Html:
    """What the track ends with, and the interval it is known to."""
    x = columns.end
    parts = [draw.line(x, y, x + 8, y, "stand")]
    if span is not None:
        low, high = sorted(span)
        parts.append(el("rect", x=x + 9, y=low, width=6, height=max(high - low, 1.5), class_="interval"))
    parts.append(text(x + 20, y + 5, words, "result-label"))
    return el("g", parts)


def _stairs(
    columns: _Columns, levels: list[tuple[int, float | None, float | None]], scale: draw.Scale
) -> Html:
    """The standing value as stairs: each (place, value during, value after); None breaks the line."""
    runs: list[list[tuple[float, float]]] = []
    for place, during, after in levels:
        left, right = columns.edge(place - 1), columns.edge(place)
        if during is None:
            runs.append([])
        else:
            if not runs or not runs[-1] or abs(runs[-1][-1][0] - left) > 0.01:
                runs.append([(left, scale(during))])
            runs[-1].append((right, scale(during)))
        if after is not None and after != during:
            if during is None or not runs:
                runs.append([])
            runs[-1].append((right, scale(after)))
    return el("g", [draw.path(run, "stand") for run in runs if len(run) > 1])


def _pair(x: float, ends: tuple[float, float], held: Asked) -> Html:
    """The two lenses of a choice as the ends of a rod; the one preferred is filled."""
    state = "rod"
    if held.hedged:
        state += " hedged"
    if held.undone:
        state += " undone"
    meaning = held.meaning
    parts = [draw.line(x, ends[0], x, ends[1], state)]
    for which, y in zip(("first", "second"), ends, strict=True):
        chosen = meaning == which
        parts.append(draw.side(x, y, 4.0 if chosen else 2.6, which, chosen and not held.hedged))
    if meaning in ("same", "unsure"):
        middle = (ends[0] + ends[1]) / 2
        parts.append(draw.line(x - 4, middle - 1.7, x + 4, middle - 1.7, "bar"))
        parts.append(draw.line(x - 4, middle + 1.7, x + 4, middle + 1.7, "bar"))
    return el("g", parts, class_="undone" if held.undone else None)


def _sphere(eye: EyeStory, columns: _Columns, top: float, height: float, interval: Interval) -> Html | None:
    stands = [(held.place, before.sphere / 100, after.sphere / 100) for held, before, after in eye.standing()]
    if not stands:
        return None
    tested = [effective(lens)[0] for held in eye.asked for lens in held.lenses]
    low, high = _room([value for _, *pair in stands for value in pair] + tested, 1.0)
    scale = draw.linear(low, high, top + height, top)
    parts = [
        _grid(
            columns,
            _power_ticks(low, high, scale, 7),
            "Sphere, D",
            top,
            scale(0.0) if low < 0 < high else None,
        )
    ]
    parts.append(_stairs(columns, list(stands), scale))
    for held in eye.asked:
        x = columns.middle(held.place)
        if held.form == "choice" and len(held.lenses) == 2:
            one, two = (effective(lens)[0] for lens in held.lenses)
            if abs(one - two) > 0.01:
                parts.append(_pair(x, (scale(one), scale(two)), held))
        elif held.form == "legible" and held.lenses and held.answer is not None:
            y = scale(held.lenses[0].sphere / 100)
            mark = (
                path_tick(x, y) if held.meaning == "yes" else draw.cross(x, y, 3.2, "stroke")
            )
            parts.append(el("g", mark, class_="undone" if held.undone else None))
    last = eye.ended
    if last is not None:
        span = interval.get("sphere")
        parts.append(
            _result(
                columns,
                scale(last.sphere / 100),
                signed(last.sphere),
                None if span is None else (scale(span[0]), scale(span[1])),
            )
        )
    parts.append(_settings(eye, columns, scale, "sphere"))
    return el("g", parts)


def path_tick(x: float, y: float) -> Html:
    """A tick mark: something was read."""
    return draw.path(((x - 4, y), (x - 1.2, y + 3), (x + 4, y - 3.6)), "stroke")


def _settings(eye: EyeStory, columns: _Columns, scale: draw.Scale, dial: str) -> Html:
    """Dials set by command, as diamonds where they were set."""
    marks = []
    for held in eye.asked:
        for event in held.set_after:
            value = event.get("value")
            if event.get("meaning") == f"set_{dial}" and isinstance(value, (int, float)):
                marks.append(draw.diamond(columns.edge(held.place), scale(float(value)), 5, "by-hand"))
    return el("g", marks)


def _room(values: list[float], least: float) -> tuple[float, float]:
    """A range that holds the values with a little air, and is at least so wide."""
    low, high = min(values), max(values)
    air = max((high - low) * 0.06, 0.06)
    low, high = low - air, high + air
    if high - low < least:
        middle = (low + high) / 2
        low, high = middle - least / 2, middle + least / 2
    return low, high


def _cylinder(eye: EyeStory, columns: _Columns, top: float, height: float, interval: Interval) -> Html | None:
    stands = [
        (held.place, before.cylinder / 100, after.cylinder / 100) for held, before, after in eye.standing()
    ]
    if not stands:
        return None
    pairs = [
        (held, effective(held.lenses[0])[1], effective(held.lenses[1])[1])
        for held in eye.asked
        if held.form == "choice" and len(held.lenses) == 2
    ]
    pairs = [(held, one, two) for held, one, two in pairs if abs(one - two) > 0.01]
    values = [value for _, *pair in stands for value in pair] + [v for _, *pair in pairs for v in pair]
    low, high = min(*values, -0.75) - 0.12, 0.12
    scale = draw.linear(low, high, top + height, top)
    parts = [_grid(columns, _power_ticks(low, high, scale, 5), "Cylinder, D", top)]
    parts.append(_stairs(columns, list(stands), scale))
    parts += [
        _pair(columns.middle(held.place), (scale(one), scale(two)), held) for held, one, two in pairs
    ]
    if eye.ended is not None:
        span = interval.get("cylinder")
        parts.append(
            _result(
                columns,
                scale(eye.ended.cylinder / 100),
                signed(eye.ended.cylinder) if eye.ended.cylinder else "none",
                None if span is None else (scale(span[0]), scale(span[1])),
            )
        )
    parts.append(_settings(eye, columns, scale, "cylinder"))
    return el("g", parts)


def near_axis(axis: float, about: float) -> float:
    """The same meridian written within 90 degrees of `about`: axes go round, pictures do not."""
    return about + (axis - about + 90) % 180 - 90


def _axis(eye: EyeStory, columns: _Columns, top: float, height: float, interval: Interval) -> Html | None:
    with_cylinder = [lens for _, *pair in eye.standing() for lens in pair if lens.cylinder]
    if not with_cylinder:
        return None
    about = float(with_cylinder[-1].axis)
    stands = [
        (
            held.place,
            near_axis(before.axis, about) if before.cylinder else None,
            near_axis(after.axis, about) if after.cylinder else None,
        )
        for held, before, after in eye.standing()
    ]
    tests: list[tuple[Asked, list[float | None]]] = []
    for held in eye.asked:
        if held.form != "choice" or len(held.lenses) != 2:
            continue
        ends: list[float | None] = []
        for lens in held.lenses:
            _, cylinder, axis = effective(lens)
            ends.append(near_axis(axis, about) if -cylinder > NO_AXIS_BELOW else None)
        one, two = ends
        if one is None or two is None or abs(one - two) > 0.4:
            tests.append((held, ends))
    values = [v for _, *pair in stands for v in pair if v is not None]
    values += [v for _, ends in tests for v in ends if v is not None]
    low, high = _room(values, 40)
    scale = draw.linear(low, high, top + height, top)
    labels = [
        (scale(value), f"{(round(value) - 1) % 180 + 1:03d}") for value in draw.ticks(low, high, 5)
    ]
    parts = [_grid(columns, labels, "Axis, degrees", top), _stairs(columns, stands, scale)]
    for held, ends in tests:
        x = columns.middle(held.place)
        one, two = ends
        if one is not None and two is not None:
            parts.append(_pair(x, (scale(one), scale(two)), held))
        else:
            for which, value in zip(("first", "second"), ends, strict=True):
                if value is not None:
                    chosen = held.meaning == which
                    parts.append(
                        draw.side(x, scale(value), 4.0 if chosen else 2.6, which, chosen and not held.hedged)
                    )
    last = eye.ended
    if last is not None and last.cylinder:
        span = interval.get("axis")
        y = scale(near_axis(last.axis, about))
        ends_at = None
        if span is not None:
            middle = near_axis((span[0] + span[1]) / 2, about)
            half = (span[1] - span[0]) / 2
            # An axis hardly known has a wider interval than the picture.
            ends_at = (scale(max(middle - half, low)), scale(min(middle + half, high)))
        parts.append(_result(columns, y, f"{last.axis:03d}", ends_at))
    return el("g", parts)


_LINES = (12.5, 20.0, 40.0, 100.0, 200.0, 400.0)


def _acuity(eye: EyeStory, columns: _Columns, top: float, height: float, interval: Interval) -> Html | None:
    read = readings(eye)
    if not read:
        return None
    scale, lines = _acuity_scale(read, top, height)
    parts = [_grid(columns, [(scale(math.log10(feet / 20)), f"20/{feet:g}") for feet in lines], "Acuity", top)]
    known = []
    for held in read:
        if held.logmar is not None:
            x, y = columns.middle(held.place), scale(held.logmar)
            hole = held.apart == "pinhole"
            parts.append(draw.diamond(x, y, 4.6, "reading pinhole" if hole else "reading"))
            if not hole:
                known.append((x, y, held))
    parts.append(draw.path([(x, y) for x, y, _ in known], "reading-line"))
    for held in read:
        if held.logmar is None:
            parts.append(draw.cross(columns.middle(held.place), top + height - 5, 4, "stroke"))
    if known:
        _, y, last = known[-1]
        parts.append(text(columns.end + 20, y + 5, last.line, "result-label"))
    return el("g", parts)


def _acuity_scale(read: list[Reading], top: float, height: float) -> tuple[draw.Scale, list[float]]:
    """Better acuity is higher; the scale is logMAR, so that every chart line is as far from the next."""
    known = [held.logmar for held in read if held.logmar is not None]
    low, high = min([*known, -0.05]) - 0.06, max([*known, 0.35]) + 0.06
    lines = [feet for feet in _LINES if low <= math.log10(feet / 20) <= high]
    return draw.linear(low, high, top, top + height), lines


def _answers(eye: EyeStory, columns: _Columns, top: float) -> tuple[Html, float]:
    """Every answer by side, with what was unusual about it; below, the seconds it took, where known."""
    parts = [
        text(4, top + 4, "Answer", "track-title"),
        text(4, top + 22, "asked again", "small-label muted"),
    ]
    for held in eye.asked:
        x = columns.middle(held.place)
        mark = draw.badge(x, top, held.meaning, held.hedged, held.line_read)
        if held.undone:
            mark = joined(el("g", mark, class_="undone"), draw.line(x - 7, top + 7, x + 7, top - 7, "strike"))
        parts.append(mark)
        for again in range(min(held.asks - 1, 3)):
            parts.append(draw.disc(x, top + 15 + 5 * again, 1.9, "again"))
        if held.amended is not None:
            parts.append(el("rect", x=x - 8.5, y=top - 8.5, width=17, height=17, class_="amended"))
        if held.place == 1 or held.place % 5 == 0:
            parts.append(text(x, top + 42, held.place, "tick-label", "middle"))
    parts.append(text(4, top + 42, "question", "small-label muted"))
    bottom = top + 48
    times = [(held, held.after) for held in eye.asked if held.after is not None]
    if times:
        most = max(4.0, *(after for _, after in times))
        height = 34.0
        base = bottom + 14 + height
        parts.append(text(4, base - height + 12, "Seconds", "track-title"))
        parts.append(draw.line(_LEFT, base, columns.end, base, "grid strong"))
        parts.append(text(columns.end + 8, base - height + 6, f"{most:.0f} s", "tick-label"))
        parts.append(draw.line(_LEFT, base - height, columns.end, base - height, "grid"))
        for held, after in times:
            x = columns.middle(held.place)
            y = base - after / most * height
            parts.append(draw.line(x, base, x, y, "seconds hedged" if held.hedged else "seconds"))
        bottom = base
    return el("g", parts), bottom + 4


def together(both: EyeStory, right: Lens | None) -> Html | None:
    """What both eyes were asked together: the pairs of near addition, and every answer by side. None where no
    pair was asked.
    """
    if not any(held.form == "choice" for held in both.asked):
        return None
    columns = _Columns.of(max(len(both.asked), 12))
    bands, top = _bands(both, columns)
    top += 12
    parts: list[Html] = []
    near = [held for held in both.asked if held.step in NEAR and len(held.lenses) == 2]
    if near and right is not None:
        height = 96.0
        adds = [(held, [(lens.sphere - right.sphere) / 100 for lens in held.lenses]) for held in near]
        low, high = _room([add for _, pair in adds for add in pair], 1.0)
        scale = draw.linear(low, high, top + height, top)
        parts.append(_grid(columns, _power_ticks(low, high, scale, 5), "Add, D", top))
        for held, (one, two) in adds:
            parts.append(_pair(columns.middle(held.place), (scale(one), scale(two)), held))
        top += height + 20
    answers, bottom = _answers(both, columns, top)
    name = f"Both eyes together: {both.gist} {_answer_counts(both)}"
    return draw.picture(
        columns.width, bottom + 4, name, _shades(both, columns, bottom), bands, parts, answers, class_="tracks"
    )


# ------------------------------------------------------------------------------------- the J0/J45 plane
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
    for words, (x, y), anchor in (("J0", (middle + radius - 20, middle + 15), "middle"), ("J45", (middle + 15, middle - radius + 17), "start")):
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
                shown.append(draw.side(*end, 2.6, held.meaning, not held.hedged))
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


def _sector(interval: Interval, at: object) -> Html:
    (weak, strong), (low, high) = sorted(map(abs, interval["cylinder"])), interval["axis"]
    points = []
    for radius, turns in ((strong / 2, range(13)), (weak / 2, range(12, -1, -1))):
        for part in turns:
            doubled = math.radians(2 * (low + (high - low) * part / 12))
            points.append(at(radius * math.cos(doubled), radius * math.sin(doubled)))  # type: ignore[operator]
    return draw.path(points, "interval", close=True)


# ------------------------------------------------------------------------------------- acuity and lens
def acuity_by_power(eye: EyeStory) -> Html | None:
    """The line read against the spherical equivalent of the lens it was read through.

    The spherical equivalent, not the sphere alone: it holds while cylinder is traded for sphere.
    """
    read = [held for held in readings(eye) if held.logmar is not None and held.apart != "pinhole"]
    if not read:
        return None
    width, height = 300.0, 300.0
    left, right, top, bottom = 52.0, 286.0, 22.0, 250.0
    powers = [held.lens.spherical_equivalent for held in read]
    low, high = _room(powers, 1.0)
    across = draw.linear(high, low, left, right)  # more minus to the right: each click of it must buy letters
    scale, lines = _acuity_scale(read, top, bottom - top)
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
    parts.append(text((left + right) / 2, bottom + 36, "spherical equivalent, D (more minus →)", "small-label", "middle"))
    points = [(across(power), scale(held.logmar or 0.0)) for power, held in zip(powers, read, strict=True)]
    parts.append(draw.path(points, "reading-line"))
    for place, (x, y) in enumerate(points):
        last = place == len(read) - 1
        parts.append(draw.diamond(x, y, 7.0 if last else 4.6, "reading last" if last else "reading"))
    parts += _labels(points, read, (left, right + 10, top - 14, bottom))
    return draw.picture(width, height, f"{eye.eye.capitalize()} eye. {gain(read)}", parts, class_="panel")


Box = tuple[float, float, float, float]  # left, right, top, bottom


def _labels(points: list[tuple[float, float]], read: list[Reading], room: Box) -> list[Html]:
    """The lines read, written beside their points where there is room: the last one and the first go first."""
    order = sorted(range(len(read)), key=lambda place: (place != len(read) - 1, not read[place].apart, place))
    taken: list[Box] = [(x - 6, x + 6, y - 6, y + 6) for x, y in points]
    made = []
    for place in order:
        x, y = points[place]
        words = f"{read[place].line} {read[place].apart or ('last' if place == len(read) - 1 else '')}".strip()
        long = 6.9 * len(words)
        for left, base in ((x + 10, y + 4), (x - 10 - long, y + 4), (x - long / 2, y - 11), (x - long / 2, y + 20)):
            box = (left, left + long, base - 10, base + 3)
            inside = room[0] <= box[0] and box[1] <= room[1] and room[2] <= box[2] and box[3] <= room[3]
            if inside and not any(_touch(box, other) for other in taken):
                taken.append(box)
                made.append(text(left, base, words, "point-label halo"))
                break
    return made


def _touch(one: Box, other: Box) -> bool:
    return one[0] < other[1] and other[0] < one[1] and one[2] < other[3] and other[2] < one[3]


def gain(read: list[Reading]) -> str:
    """What the lenses did for the acuity, in words."""
    known = [held for held in read if held.logmar is not None and held.apart != "pinhole"]
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


# ------------------------------------------------------------------------------------- the over-minus check
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
            mark = disc_tick(x, y) if held.read else joined(draw.disc(x, y, 6.5, "unread"), draw.cross(x, y, 3, "stroke"))
            parts.append(mark)
            over = x > right - 70
            parts.append(text(x - 12 if over else x + 12, y + 4, words, "point-label halo", "end" if over else "start"))
        elif len(held.clicks) == 2:
            ends = [across(click) for click in held.clicks]
            parts.append(draw.line(ends[0], y, ends[1], y, "rod hedged" if held.hedged else "rod"))
            for which, x in zip(("first", "second"), ends, strict=True):
                chosen = held.meaning == which
                parts.append(draw.side(x, y, 5.0 if chosen else 3.0, which, chosen and not held.hedged))
            if held.meaning == "same":
                middle = sum(ends) / 2
                parts.append(draw.line(middle - 4, y - 2, middle + 4, y - 2, "bar"))
                parts.append(draw.line(middle - 4, y + 2, middle + 4, y + 2, "bar"))
    landed = across(round((check.ended - check.base) / 25)) if least <= (check.ended - check.base) / 25 <= most else None
    if landed is not None:
        parts.append(draw.path(((landed - 5, bottom + 28), (landed + 5, bottom + 28), (landed, bottom + 20)), "goal", close=True))
        parts.append(text(landed, bottom + 42, f"sphere {signed(check.ended)}", "point-label", "middle"))
    return draw.picture(width, bottom + 50, f"{eye.capitalize()} eye. {check.said}", parts, class_="panel")


def disc_tick(x: float, y: float) -> Html:
    """A filled disc with a tick: a letter was read."""
    return joined(
        draw.disc(x, y, 6.5, "read"),
        draw.path(((x - 3, y), (x - 0.8, y + 2.6), (x + 3.2, y - 2.6)), "tick-on"),
    )


# ------------------------------------------------------------------------------------- the timeline
def timeline(story: Story) -> Html:
    """The whole exam as one bar a lane: steps, answers by side, cautions. Stretched to any width."""
    length = story.length or 1.0
    lanes = {"right": 3.0, "left": 23.0}
    parts: list[Html] = []

    def at(seq: int) -> float:
        return story.seconds[seq] / length * 1000 if seq < len(story.seconds) else 1000.0

    for eye in story.eyes.values():
        y = lanes.get(eye.eye, 43.0)
        for place, band in enumerate(eye.bands):
            first, last = eye.asked[band.first - 1], eye.asked[band.last - 1]
            begin, end = at(first.seq), at(last.line)
            parts.append(
                el(
                    "rect",
                    x=begin,
                    y=y,
                    width=max(end - begin, 2.0),
                    height=14,
                    class_="lane odd" if place % 2 else "lane",
                )
            )
        for held in eye.asked:
            if held.answer is not None:
                x = at(held.line)
                parts.append(draw.line(x, y + 1, x, y + 13, f"mark {held.meaning}", vector_effect="non-scaling-stroke"))
    for flag in story.of_kind("flag"):
        x = at(flag["seq"])
        parts.append(draw.line(x, 0, x, 62, "flag-mark", vector_effect="non-scaling-stroke"))
    return el(
        "svg",
        parts,
        el("line", x1=0, y1=0, x2=0, y2=62, class_="cursor", vector_effect="non-scaling-stroke"),
        viewBox="0 0 1000 62",
        preserveAspectRatio="none",
        class_="timeline",
        aria_hidden="true",
    )


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

"""Sphere, cylinder, axis and acuity over an eye's questions, with every answer by side."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ...optics.lens import Lens
from ...optics.transpose import signed
from . import drawing as draw
from .acuity import acuity_scale
from .drawing import text
from .frame import Interval
from .markup import Html, el, joined, number
from .story import NO_AXIS_BELOW, PLUS, Asked, EyeStory, effective, readings, step_name

NEAR = ("near", "intermediate")
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


def tracks(eye: EyeStory, interval: Interval) -> Html:
    """Sphere, cylinder, axis and acuity over an eye's questions, and below them every answer by side."""
    columns = _Columns.of(len(eye.asked))
    bands, top = _bands(eye, columns)
    drawn: list[Html] = []
    top += 12
    for maker, height in ((_sphere, 146.0), (_cylinder, 78.0), (_axis, 88.0), (_acuity, 58.0)):
        made = maker(eye, columns, top, height, interval)
        if made is not None:
            drawn.append(made)
            top += height + 24
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
        joined(draw.line(x - 3, y - 9, x - 3, top, "band-edge"), text(x, y, words, "band")) for x, y, words in parts
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
        if y - top > 4:  # else it would run into the title
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


def _stairs(columns: _Columns, levels: list[tuple[int, float | None, float | None]], scale: draw.Scale) -> Html:
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
        parts.append(draw.side(x, y, which, chosen, held.hedged))
    if meaning in ("same", "unsure"):
        parts.append(draw.bars(x, (ends[0] + ends[1]) / 2))
    return el("g", parts, class_="undone" if held.undone else None)


def _sphere(eye: EyeStory, columns: _Columns, top: float, height: float, interval: Interval) -> Html | None:
    stands = [(held.place, before.sphere / 100, after.sphere / 100) for held, before, after in eye.standing()]
    if not stands:
        return None
    tested = [effective(lens)[0] for held in eye.asked for lens in held.lenses]
    low, high = draw.room([value for _, *pair in stands for value in pair] + tested, 1.0)
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
            mark = draw.tick_mark(x, y) if held.meaning == "yes" else draw.cross(x, y, 3.2, "stroke")
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


def _settings(eye: EyeStory, columns: _Columns, scale: draw.Scale, dial: str) -> Html:
    """Dials set by command, as diamonds where they were set."""
    marks = []
    for held in eye.asked:
        for event in held.set_after:
            value = event.get("value")
            if event.get("meaning") == f"set_{dial}" and isinstance(value, (int, float)):
                marks.append(draw.diamond(columns.edge(held.place), scale(float(value)), 5, "by-hand"))
    return el("g", marks)


def _cylinder(eye: EyeStory, columns: _Columns, top: float, height: float, interval: Interval) -> Html | None:
    stands = [(held.place, before.cylinder / 100, after.cylinder / 100) for held, before, after in eye.standing()]
    if not stands:
        return None
    pairs = [
        (held, effective(held.lenses[0])[1], effective(held.lenses[1])[1])
        for held in eye.asked
        if held.form == "choice" and len(held.lenses) == 2
    ]
    pairs = [(held, one, two) for held, one, two in pairs if abs(one - two) > 0.01]
    values = [value for _, *pair in stands for value in pair] + [v for _, *pair in pairs for v in pair]
    low = min(*values, -0.75) - 0.12
    high = -low * 0.16
    scale = draw.linear(low, high, top + height, top)
    parts = [_grid(columns, _power_ticks(low, high, scale, 5), "Cylinder, D", top)]
    parts.append(_stairs(columns, list(stands), scale))
    parts += [_pair(columns.middle(held.place), (scale(one), scale(two)), held) for held, one, two in pairs]
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
    low, high = draw.room(values, 40)
    scale = draw.linear(low, high, top + height, top)
    labels = [(scale(value), f"{(round(value) - 1) % 180 + 1:03d}") for value in draw.ticks(low, high, 5)]
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
                    parts.append(draw.side(x, scale(value), which, chosen, held.hedged))
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


def _acuity(eye: EyeStory, columns: _Columns, top: float, height: float, interval: Interval) -> Html | None:
    read = readings(eye)
    if not read:
        return None
    scale, lines = acuity_scale(read, top, height)
    parts = [_grid(columns, [(scale(math.log10(feet / 20)), f"20/{feet:g}") for feet in lines], "Acuity", top)]
    known = []
    for held in read:
        if held.logmar is not None:
            x, y = columns.middle(held.place), scale(held.logmar)
            parts.append(draw.diamond(x, y, 4.6, "reading pinhole" if held.apart == "pinhole" else "reading"))
            if held.apart not in ("pinhole", PLUS):
                known.append((x, y, held))
    parts.append(draw.path([(x, y) for x, y, _ in known], "reading-line"))
    for held in read:
        if held.logmar is None:
            parts.append(draw.cross(columns.middle(held.place), top + height - 5, 4, "stroke"))
    through_it = [(y, held) for _, y, held in known if not held.apart and held.lens == eye.ended]
    if through_it:  # the line of the lens it ended with; what was read on entering is no result
        y, last = through_it[-1]
        parts.append(text(columns.end + 20, y + 5, last.line, "result-label"))
    return el("g", parts)


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
        low, high = draw.room([add for _, pair in adds for add in pair], 1.0)
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

"""What changed between exams: lens by lens, as power vectors, in words, and as a picture.

Published figures it is held against: the same examiner again, 95 % of differences within 0.29 D of spherical
equivalent (Rosenfield & Chiu, Optom Vis Sci 1995;72:577-579); 40 optometrists and one patient, standard
deviations of M 0.28, J0 0.084, J45 0.086 D (MacKenzie, Ophthalmic Physiol Opt 2008;28:143-150).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise

from ..optics.acuity import Acuity
from ..optics.lens import Lens
from ..optics.power_vector import PowerVector
from ..optics.transpose import signed, written
from .prescription import hundredths_of
from .summary import EyeSummary, Summary

SAME_EXAMINER_95 = 0.29  # D of spherical equivalent, Rosenfield & Chiu 1995
MANY_EXAMINERS_SD = PowerVector(0.28, 0.084, 0.086)  # D, MacKenzie 2008

# When a new pair of glasses takes getting used to: design choices.
NOTABLE_CHANGE = 75  # D/100 of spherical equivalent or cylinder
NOTABLE_TURN = 15  # degrees of axis
NOTABLE_TURN_FROM = 75  # D/100 of cylinder, from which a turn counts


@dataclass(frozen=True)
class Change:
    """What changed in one eye from one exam to another.

    vector   the new lens less the old one, dioptres
    turn     degrees the axis turned, -89 to 90, counter-clockwise positive; None where either has no cylinder
    add      hundredths of a dioptre the add grew; None where either has none
    lines    logMAR lines the acuity gained (positive: better), or None
    notable  as large as glasses take getting used to
    """

    before: Lens
    after: Lens
    vector: PowerVector
    turn: int | None
    add: int | None
    lines: float | None
    notable: bool

    def words(self) -> str:
        """The change in one line."""
        if self.before == self.after or (
            self.vector == PowerVector(0.0, 0.0, 0.0) and not (self.after.cylinder or self.before.cylinder)
        ):
            parts = ["the same lens"]
        else:
            parts = [*_power_words(self), f"vector difference {hundredths_of(self.vector.blur)} D"]
        if self.add is not None and self.add:
            parts.append(f"add {signed(self.add)}")
        if self.lines is not None and abs(self.lines) >= 0.05:
            parts.append(f"acuity {abs(self.lines):.1f} lines {'better' if self.lines > 0 else 'worse'}")
        return ", ".join(parts) + (": it may take getting used to" if self.notable else "")


def _power_words(change: Change) -> list[str]:
    parts = []
    equivalent = hundredths_of(change.vector.m)
    if equivalent:
        toward = "minus" if equivalent < 0 else "plus"
        parts.append(f"spherical equivalent {abs(equivalent)} D toward {toward}")
    cylinder = change.after.cylinder - change.before.cylinder
    if cylinder:
        parts.append(f"{abs(cylinder) / 100:.2f} D {'more' if cylinder < 0 else 'less'} cylinder")
    if change.turn:
        parts.append(
            f"axis turned {abs(change.turn)} degrees {'counter-clockwise' if change.turn > 0 else 'clockwise'}"
        )
    return parts


def change(before: EyeSummary, after: EyeSummary) -> Change | None:
    """The change of one eye; None where either exam did not measure it."""
    if before.lens is None or after.lens is None:
        return None
    turn = None
    if before.lens.cylinder and after.lens.cylinder:
        turn = (after.lens.axis - before.lens.axis + 89) % 180 - 89
    lines = None
    if before.acuity is not None and after.acuity is not None:
        lines = (Acuity.parse(before.acuity).logmar - Acuity.parse(after.acuity).logmar) * 10
    vector = after.lens.vector.minus(before.lens.vector)
    larger = min(before.lens.cylinder, after.lens.cylinder)
    return Change(
        before=before.lens,
        after=after.lens,
        vector=vector,
        turn=turn,
        add=None if before.add is None or after.add is None else after.add - before.add,
        lines=lines,
        notable=(
            abs(vector.m) * 100 >= NOTABLE_CHANGE - 1e-6
            or abs(after.lens.cylinder - before.lens.cylinder) >= NOTABLE_CHANGE
            or (turn is not None and abs(turn) > NOTABLE_TURN and -larger >= NOTABLE_TURN_FROM)
        ),
    )


def spread(vectors: Sequence[PowerVector]) -> PowerVector:
    """Standard deviation (n - 1) of each part over at least two power vectors, dioptres."""
    count = len(vectors)
    means = [sum(part) / count for part in zip(*vectors, strict=True)]
    return PowerVector(
        *(
            math.sqrt(sum((value - mean) ** 2 for value in part) / (count - 1))
            for part, mean in zip(zip(*vectors, strict=True), means, strict=True)
        )
    )


def report(named: Sequence[tuple[str, Summary]]) -> list[str]:
    """The comparison of two exams or more, oldest first, as lines of text."""
    lines = []
    patients = {summary.patient for _, summary in named}
    if len(patients) > 1:
        codes = ", ".join(sorted(str(patient or "not named") for patient in patients))
        lines += [f"CAUTION: these exams are of different patients ({codes}).", ""]
    for place, (name, summary) in enumerate(named, start=1):
        lines.append(f"{place}  {summary.begun:%Y-%m-%d %H:%M} UTC  {summary.status:<6}  {name}")
    for eye_name in ("right", "left"):
        eyes = [dict(summary.eyes())[eye_name] for _, summary in named]
        lines += ["", f"{eye_name.title()} eye"]
        for place, eye in enumerate(eyes, start=1):
            lines.append(f"  {place}  {_eye_line(eye)}")
        measured = [place for place, eye in enumerate(eyes) if eye.lens is not None]
        pairs = list(pairwise(measured))
        if len(pairs) > 1:
            pairs.append((measured[0], measured[-1]))
        for earlier, later in pairs:
            made = change(eyes[earlier], eyes[later])
            assert made is not None  # both were measured
            lines.append(f"  {earlier + 1} to {later + 1}: {made.words()}")
            lines.append(f"          {_vector(made.vector)}")
        lines += _repeatability([eye.lens.vector for eye in eyes if eye.lens is not None])
    return lines


def _vector(vector: PowerVector) -> str:
    m, j0, j45 = (hundredths_of(part) for part in vector)
    return f"M {m:+}  J0 {j0:+}  J45 {j45:+} D"


def _eye_line(eye: EyeSummary) -> str:
    if eye.lens is None:
        return "not measured"
    text = f"{written(eye.lens):<22} {_vector(eye.lens.vector)}"
    if eye.add:
        text += f"  add {signed(eye.add)}"
    return text + (f"  {eye.acuity}" if eye.acuity else "")


def _repeatability(vectors: list[PowerVector]) -> list[str]:
    if len(vectors) < 2:
        return []
    if len(vectors) == 2:
        difference = abs(vectors[1].m - vectors[0].m)
        within = "within" if difference <= SAME_EXAMINER_95 else "beyond"
        return [
            f"  The spherical equivalents differ by {hundredths_of(difference)} D, {within} the "
            f"{SAME_EXAMINER_95:.2f} D that "
            "hold 95 % of",
            "  the differences when one examiner repeats a refraction (Rosenfield & Chiu 1995).",
        ]
    own = spread(vectors)
    other = MANY_EXAMINERS_SD
    return [
        f"  Spread over {len(vectors)} exams (standard deviation): M {own.m:.2f}, J0 {own.j0:.2f}, J45 "
        f"{own.j45:.2f} D;",
        f"  40 optometrists on one patient: {other.m:.2f}, {other.j0:.2f}, {other.j45:.2f} D (MacKenzie 2008).",
    ]


# ---------------------------------------------------------------------------------------- the picture
_SIZE = 300  # width and height of one plane, in picture units
_PAD = 56
_COLOURS = {"right": "#0b6e75", "left": "#a3480f"}


def picture(named: Sequence[tuple[str, Summary]]) -> str:
    """The exams as an SVG: for each eye the astigmatism in the J0/J45 plane, and the spherical equivalent
    beside it.
    """
    scale = _reach([summary for _, summary in named])
    width, height = 2 * (_SIZE + 2 * _PAD) + 120, _SIZE + 2 * _PAD + 30
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        'font-family="sans-serif" font-size="12" role="img">',
        "<title>Change between exams</title>",
        f"<desc>{escape('. '.join(line.strip() for line in report(named) if line.strip()))}</desc>",
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>',
    ]
    for column, eye_name in enumerate(("right", "left")):
        left = _PAD + column * (_SIZE + 2 * _PAD + 60)
        lenses = [
            (place, lens)
            for place, (_, summary) in enumerate(named, start=1)
            if (lens := dict(summary.eyes())[eye_name].lens) is not None
        ]
        parts += _plane(left, _PAD, eye_name, lenses, scale)
    parts.append("</svg>")
    return "\n".join(parts) + "\n"


def _reach(summaries: Sequence[Summary]) -> float:
    """Half the width of the J0/J45 planes in dioptres: what is in them fits, in steps of a quarter."""
    most = max(
        (
            max(abs(eye.lens.vector.j0), abs(eye.lens.vector.j45))
            for summary in summaries
            for _, eye in summary.eyes()
            if eye.lens is not None
        ),
        default=0.0,
    )
    return max(0.5, math.ceil(most * 4 + 0.4) / 4)


def _plane(left: float, top: float, eye: str, lenses: list[tuple[int, Lens]], reach: float) -> list[str]:
    colour, middle = _COLOURS[eye], _SIZE / 2

    def at(vector: PowerVector) -> tuple[float, float]:
        return left + middle + vector.j0 / reach * middle, top + middle - vector.j45 / reach * middle

    parts = [
        f'<text x="{left}" y="{top - 30}" font-size="15" font-weight="bold" fill="#1b2027">{eye.title()} eye</text>',
        f'<text x="{left}" y="{top - 12}" fill="#4a5160">Astigmatism, dioptres: J0 across, J45 up</text>',
        f'<rect x="{left}" y="{top}" width="{_SIZE}" height="{_SIZE}" fill="none" stroke="#9aa1ad"/>',
        f'<path d="M{left} {top + middle}h{_SIZE}M{left + middle} {top}v{_SIZE}" stroke="#c9ced6"/>',
    ]
    for power in _rings(reach):  # each ring is one power of cylinder
        parts.append(
            f'<circle cx="{left + middle}" cy="{top + middle}" r="{power / reach * middle:.1f}" fill="none" '
            'stroke="#e1e4e9"/>'
        )
    for power, anchor, x in ((-reach, "start", left), (reach, "end", left + _SIZE)):
        parts.append(f'<text x="{x}" y="{top + _SIZE + 16}" text-anchor="{anchor}" fill="#4a5160">{power:+.2f}</text>')
    points = [at(lens.vector) for _, lens in lenses]
    if len(points) > 1:
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        parts.append(f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="2"/>')
    parts += _marks(points, lenses, colour)
    parts += _sphere_scale(left + _SIZE + 34, top, lenses, colour)
    return parts


def _rings(reach: float) -> list[float]:
    step = 0.25 if reach <= 1 else 0.5 if reach <= 2 else 1.0
    return [step * n for n in range(1, int(reach / step) + 1)]


def _marks(points: list[tuple[float, float]], lenses: list[tuple[int, Lens]], colour: str) -> list[str]:
    parts = []
    seen: dict[tuple[float, float], int] = {}
    for (x, y), (place, lens) in zip(points, lenses, strict=True):
        same = seen.get((round(x), round(y)), 0)
        seen[round(x), round(y)] = same + 1
        parts.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" fill="{colour}"><title>{place}: {escape(written(lens))}'
            "</title></circle>"
        )
        parts.append(f'<text x="{x + 8 + 12 * same:.1f}" y="{y - 6:.1f}" fill="#1b2027">{place}</text>')
    return parts


def _sphere_scale(x: float, top: float, lenses: list[tuple[int, Lens]], colour: str) -> list[str]:
    """The spherical equivalents on a vertical scale, plus up."""
    parts = [f'<text x="{x - 14}" y="{top - 12}" fill="#4a5160">M</text>']
    if not lenses:
        return parts
    values = [lens.vector.m for _, lens in lenses]
    low, high = math.floor(min(values) * 2 - 0.2) / 2, math.ceil(max(values) * 2 + 0.2) / 2
    parts.append(f'<path d="M{x} {top}v{_SIZE}" stroke="#9aa1ad"/>')
    for value in (low, high):
        y = top + (high - value) / (high - low) * _SIZE
        parts.append(f'<text x="{x + 8}" y="{y + 4:.1f}" fill="#4a5160">{value:+.2f}</text>')
    used: dict[int, int] = {}
    for (place, _), value in zip(lenses, values, strict=True):
        y = top + (high - value) / (high - low) * _SIZE
        same = used.get(round(y), 0)
        used[round(y)] = same + 1
        parts.append(f'<circle cx="{x}" cy="{y:.1f}" r="4.5" fill="{colour}"/>')
        parts.append(f'<text x="{x - 14 - 12 * same:.1f}" y="{y + 4:.1f}" fill="#1b2027">{place}</text>')
    return parts

"""Pictures of a cohort's errors, by matplotlib: difference plot, error cloud, questions an eye. PNG and
SVG."""

from __future__ import annotations

import importlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from ..errors import UserError

INK: Final = "#1d3557"
POINTS: Final = "#2a6f97"
LIMIT: Final = "#bc4b51"
FEW_POINTS: Final = 500  # up to so many eyes the points are drawn dark
NORMAL_95: Final = 1.96  # standard deviations either side that hold 95 % of a normal distribution

Rows = Sequence[Mapping[str, object]]


def require() -> Any:
    """matplotlib's figure module; raises UserError with the way to install it."""
    try:
        return importlib.import_module("matplotlib.figure")
    except ImportError as error:
        raise UserError(
            "--plots needs matplotlib: install it with  pip install 'handsfree-refraction[plots]'"
        ) from error


def draw(rows: Rows, folder: Path) -> list[Path]:
    """Write every picture of these eyes (rows as in `cohort.COLUMNS`); returns the files.

    Raises UserError when the folder cannot be made or written.
    """
    figure_module = require()
    seen = [row for row in rows if row["error"] is not None]
    made = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, picture in (
            ("difference", _difference),
            ("astigmatism", _cloud),
            ("questions", _questions),
        ):
            figure = figure_module.Figure(figsize=(7, 5), layout="constrained")
            axes = figure.subplots()
            axes.spines[["top", "right"]].set_visible(False)
            picture(axes, rows if name == "questions" else seen)
            for kind in ("png", "svg"):
                file = folder / f"{name}.{kind}"
                figure.savefig(file, dpi=150)
                made.append(file)
    except OSError as error:
        raise UserError(
            f"{folder}: pictures cannot be written ({error.strerror}); name a folder you may write to"
        ) from error
    return made


def _column(rows: Rows, name: str) -> list[float]:
    return [float(str(row[name])) for row in rows]


def _points(rows: Rows) -> dict[str, Any]:
    return {"s": 14, "color": POINTS, "alpha": 0.6 if len(rows) <= FEW_POINTS else 0.2, "linewidths": 0}


def _difference(axes: Any, rows: Rows) -> None:
    """Draft less truth against their mean, with the limits that hold 95 % were the errors normal."""
    truth, error = _column(rows, "true_m"), _column(rows, "error_m")
    mean = [t + e / 2 for t, e in zip(truth, error, strict=True)]
    axes.scatter(mean, error, **_points(rows))
    if len(error) > 1:
        bias = sum(error) / len(error)
        sd = (sum((e - bias) ** 2 for e in error) / (len(error) - 1)) ** 0.5
        for level, style, label in (
            (bias, "-", f"bias {bias:+.2f} D"),
            (
                bias + NORMAL_95 * sd,
                "--",
                f"bias ± {NORMAL_95} SD: {bias - NORMAL_95 * sd:+.2f} to {bias + NORMAL_95 * sd:+.2f} D",
            ),
            (bias - NORMAL_95 * sd, "--", None),
        ):
            axes.axhline(level, color=LIMIT, linestyle=style, linewidth=1.2, label=label)
        axes.legend(frameon=False)
    axes.set_title(f"Spherical equivalent: draft less truth, {len(rows):,} eyes", color=INK)
    axes.set_xlabel("mean of draft and truth, M (D)")
    axes.set_ylabel("draft less truth (D)")


def _cloud(axes: Any, rows: Rows) -> None:
    """Errors of the astigmatism in the J0/J45 plane, a ring every quarter dioptre."""
    axes.scatter(_column(rows, "error_j0"), _column(rows, "error_j45"), **_points(rows))
    circle = importlib.import_module("matplotlib.patches").Circle
    for radius in (0.25, 0.50):
        axes.add_patch(circle((0, 0), radius, fill=False, color=LIMIT, linewidth=1))
        axes.annotate(f"{radius:.2f} D", (0, radius), color=LIMIT, ha="center", va="bottom", fontsize=8)
    axes.axhline(0, color=INK, linewidth=0.5)
    axes.axvline(0, color=INK, linewidth=0.5)
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_title(f"Astigmatism: draft less truth, {len(rows):,} eyes", color=INK)
    axes.set_xlabel("J0, axes 180 and 90 (D)")
    axes.set_ylabel("J45, axes 45 and 135 (D)")


def _questions(axes: Any, rows: Rows) -> None:
    counts = [int(n) for n in _column(rows, "questions")]
    axes.hist(counts, bins=range(max(counts, default=1) + 2), color=POINTS)
    if counts:
        median = sorted(counts)[(len(counts) - 1) // 2]
        axes.axvline(median + 0.5, color=LIMIT, linewidth=1.2, label=f"median {median}")
        axes.legend(frameon=False)
    axes.set_title(f"Questions an eye, {len(rows):,} eyes", color=INK)
    axes.set_xlabel("questions, asked-again ones included")
    axes.set_ylabel("eyes")

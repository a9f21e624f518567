"""Exams as a table for spreadsheets and research: CSV, one row an eye, power vectors included."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from pathlib import Path

from ..optics.acuity import Acuity
from .folder import LOG
from .log import stamp
from .summary import EyeSummary, Summary

# Powers and vectors in dioptres, axis in degrees, PD and vertex distance in millimetres.
COLUMNS = (
    "exam", "patient", "age", "begun", "written", "status", "signed_by", "licence", "eye",
    "sphere", "cylinder", "axis", "add", "m", "j0", "j45", "acuity", "logmar", "entering_acuity",
    "entering_logmar", "unaided_acuity", "intermediate", "pd", "near_pd", "near_pd_computed", "vertex", "near_acuity",
    "remark", "questions", "flags", "record",
)  # fmt: skip

_FORMULA = ("=", "+", "-", "@", "\t", "\r")  # a spreadsheet would run a cell that begins so


def rows(name: str, summary: Summary) -> Iterator[list[str]]:
    """The exam's two rows, as text; `name` names the exam. An eye not measured has a row with empty
    powers.
    """
    for eye_name, eye in summary.eyes():
        yield [
            _words(name),
            _words(summary.patient),
            "" if summary.age is None else str(summary.age),
            stamp(summary.begun),
            stamp(summary.written),
            summary.status,
            _words(None if summary.signed is None else summary.signed["by"]),
            _words(None if summary.signed is None else summary.signed["licence"]),
            eye_name,
            *_powers(eye),
            eye.acuity or "",
            _logmar(eye.acuity),
            eye.entering_acuity or "",
            _logmar(eye.entering_acuity),
            eye.unaided_acuity or "",
            "" if eye.intermediate is None else f"{eye.intermediate / 100:.2f}",
            _millimetres(summary.pd),
            _millimetres(summary.near_pd),
            "" if summary.near_pd is None else "yes" if summary.near_pd_computed else "no",
            _millimetres(summary.vertex),
            _words(summary.near_acuity),
            "; ".join(held for held in (eye.remark, summary.unconfirmed) if held),
            str(eye.questions),
            _words(" ".join(f"{flag['code']}:{flag['eye']}" for flag in summary.flags)),
            summary.last_hash,
        ]


def _millimetres(held: float | None) -> str:
    return "" if held is None else f"{held:g}"


def _powers(eye: EyeSummary) -> list[str]:
    if eye.lens is None:
        return [""] * 7
    vector = eye.lens.vector
    return [
        f"{eye.lens.sphere / 100:.2f}",
        f"{eye.lens.cylinder / 100:.2f}",
        str(eye.lens.axis) if eye.lens.cylinder else "",
        "" if eye.add is None else f"{eye.add / 100:.2f}",
        *(f"{round(part, 4) + 0.0:.4f}" for part in (vector.m, vector.j0, vector.j45)),
    ]


def _logmar(line: str | None) -> str:
    return "" if line is None else f"{round(Acuity.parse(line).logmar, 2) + 0.0:.2f}"


def _words(text: str | None) -> str:
    """Text that a spreadsheet takes as text, whatever it begins with."""
    if not text:
        return ""
    return f"'{text}" if text.startswith(_FORMULA) else text


def csv_text(named: Iterable[tuple[str, Summary]], header: bool = True) -> str:
    """CSV (RFC 4180) of some exams, with or without the line of column names."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer)
    if header:
        writer.writerow(COLUMNS)
    for name, summary in named:
        writer.writerows(rows(name, summary))
    return buffer.getvalue()


def exam_folders(folder: Path) -> Iterator[Path]:
    """Every exam folder at or below `folder`, in the order of names; no exam is looked for within another.

    Holds one folder's names at a time. Links to folders are not followed.
    """
    if (folder / LOG).is_file():
        yield folder
        return
    try:
        names = sorted(held.name for held in folder.iterdir() if held.is_dir() and not held.is_symlink())
    except PermissionError:
        return
    for name in names:
        yield from exam_folders(folder / name)

"""The exports beside an exam: what is one, of which state of the record it was made, and what none may take the place
of.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from pathlib import Path

from ..errors import UserError
from .folder import LOG, exam_around, keep_exams_whole
from .log import Log, read_log
from .prescription import amends_record
from .table import COLUMNS

# Name of the file (for DICOM the folder) in the exam folder where --out names none.
NAMES = {"fhir": "fhir.json", "dicom": "dicom", "pdf": "prescription.pdf", "csv": "exam.csv"}

_HEAD = 4096  # bytes; what a file is, is told by its first ones
_ENDS = frozenset({".json", ".pdf", ".csv", ".dcm"})


def kind_of(path: Path) -> str | None:
    """Which export a file is, by its content: "fhir", "dicom", "pdf", "csv" or "svg"; None for any other file."""
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD)
    except OSError:
        return None
    if head.startswith(b"%PDF-"):
        return "pdf"
    if head[128:132] == b"DICM":
        return "dicom"
    if head.startswith(",".join(COLUMNS[:3]).encode()):
        return "csv"
    if head.startswith(b"<svg"):
        return "svg"
    return "fhir" if head.startswith(b'{\n  "resourceType": "Bundle"') else None


def guard(out: Path, kind: str, option: str = "--out") -> None:
    """Raises UserError where an export of this kind, which `option` names, would take the place of anything of an exam
    but an earlier export of its kind."""
    if out.is_dir() and out.suffix:
        raise UserError(f"{option}: {out} is not a file to write an export to; give another name")
    keep_exams_whole(out, option)
    exam = exam_around(out)
    if exam is None or not out.is_file():
        return
    if kind_of(out) != kind or not (kind == "svg" or _ours(out, _marks(read_log(exam / LOG)))):
        raise UserError(f"{option}: {out} belongs to an exam and is no earlier {kind} export; give another name")


def stale(folder: Path, log: Log) -> list[str]:
    """The exports in an exam folder that were not made of the prescription as it stands, by name, sorted.

    Every export names the end of the log it was made of; what came after may only be what changes no prescription.
    """
    since = max((held["seq"] for held in log.events if amends_record(held)), default=-1)
    ever, now = _marks(log), _marks(log, max(since, 0))
    return sorted(
        path.relative_to(folder).as_posix()
        for path in _files(folder)
        if kind_of(path) not in (None, "svg") and _ours(path, ever) and not _bears(path, now)
    )


def _marks(log: Log, since: int = 0) -> frozenset[bytes]:
    """What an export bears of the record it was made of, for every end the log had from an event on."""
    ends = [held["hash"] for held in log.events[since:]]
    return frozenset(mark.encode() for end in ends for mark in (end[:16], str(uuid.uuid5(uuid.NAMESPACE_OID, end))))


def _bears(path: Path, marks: frozenset[bytes]) -> bool:
    content = path.read_bytes()
    return any(mark in content for mark in marks)


def _ours(path: Path, ever: frozenset[bytes]) -> bool:
    """Whether a file was made of an exam: by any of its marks, or by the name that exports have unless told another."""
    return path.name in NAMES.values() or path.parent.name == NAMES["dicom"] or _bears(path, ever)


def told_stale(folder: Path, log: Log) -> str | None:
    """The same in a sentence; None where there is none."""
    names = stale(folder, log)
    if not names:
        return None
    return f"these exports are of an earlier prescription, export them anew or delete them: {', '.join(names)}"


def _files(folder: Path) -> Iterator[Path]:
    """What may be an export: in the exam folder, and in the folder of DICOM objects."""
    for path in [*folder.iterdir(), *(folder / NAMES["dicom"]).glob("*")]:
        if path.suffix.lower() in _ENDS and path.is_file():
            yield path

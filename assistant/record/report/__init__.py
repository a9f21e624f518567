"""The report page of an exam, report.html: from the log alone, in one file that asks nothing of the network."""

from __future__ import annotations

from pathlib import Path

from ..folder import LOG, REPORT, build, log_as_it_is, write_whole
from ..log import Log, Problem, check_lines
from ..shape import faults
from ..signing import KeysMissing, check_signatures
from .page import page
from .sounds import DROPPED, EMBED_MOST, Sounds, collect
from .story import Story, tell

__all__ = ["EMBED_MOST", "Sounds", "Story", "build_all", "build_report", "report_html", "tell"]


def report_html(
    log: Log,
    sounds: Sounds | None = None,
    problems: list[str] | None = None,
    notes: list[str] | None = None,
) -> str:
    """The page as text. `problems`: what does not hold of the record; `notes`: what was checked."""
    return page(tell(log), sounds or Sounds(), problems or [], notes or [])


def build_report(folder: Path, embed_most: int = EMBED_MOST) -> tuple[Path, list[str]]:
    """Build report.html in an exam folder: its path, and what does not hold of the record (the page says so).

    Recordings go inside the page up to `embed_most` bytes together, beyond that they are linked from beside
    it. Raises UserError where there is no log to read or the page cannot be written.
    """
    text, problems = _built(folder, embed_most)
    write_whole(folder / REPORT, text)
    return folder / REPORT, problems


def report_holds(folder: Path) -> bool:
    """Whether the page in an exam folder is what this version builds of its log and recordings, with the recordings
    inside it or beside it."""
    held = (folder / REPORT).read_bytes()
    return any(held == _built(folder, most)[0] for most in (EMBED_MOST, -1))


def _built(folder: Path, embed_most: int) -> tuple[bytes, list[str]]:
    """The page's content, and what does not hold of the record."""
    path = folder / LOG
    log = log_as_it_is(folder)
    sounds = collect(folder, log, embed_most)
    problems, notes = _checked(path, log)
    problems += [f"event {seq}: {fault}" for seq, fault in sounds.faults.items() if fault != DROPPED]
    dropped = sum(fault == DROPPED for fault in sounds.faults.values())
    if sounds.utterances:
        notes.append(f"{len(sounds.utterances)} recordings, as the log has them")
    if dropped:
        notes.append(f"{dropped} recordings were dropped on purpose")
    return report_html(log, sounds, problems, notes).encode("utf-8"), problems


def build_all(folder: Path) -> list[Path]:
    """Everything that is built from the log, and the paths of it: after this nothing in the folder is stale."""
    return [*build(folder), build_report(folder)[0]]


def _checked(path: Path, log: Log) -> tuple[list[str], list[str]]:
    """What does not hold of the log's lines and signatures, and what was checked."""
    problems = [str(problem) for problem in check_lines(path.read_bytes())]
    problems += [str(Problem(line, what)) for line, what in faults(log.events)]
    notes = [] if problems else ["every line of the log as written, none missing"]
    try:
        false = [str(problem) for problem in check_signatures(log)]
    except KeysMissing as missing:
        return problems, [*notes, str(missing)]
    if any(held.get("signed") for held in log.of_kind("prescription")) and not false:
        notes.append("signatures hold")
    return problems + false, notes

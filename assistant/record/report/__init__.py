"""The report page of an exam, report.html: from the log alone, in one file that asks nothing of the network."""

from __future__ import annotations

from pathlib import Path

from ..folder import REPORT, log_of, write_whole
from ..log import Log
from ..verifying import verify_folder
from .page import page
from .sounds import EMBED_MOST, Sounds, collect
from .story import Story, tell

__all__ = ["EMBED_MOST", "Sounds", "Story", "build_report", "report_html", "tell"]


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
    log = log_of(folder)
    verdict = verify_folder(folder)
    problems = [str(problem) for problem in verdict.problems if problem.line is not None]
    # What is built from the log can be built again: a fault there leaves the record as it was.
    built = [str(problem) for problem in verdict.problems if problem.line is None]
    notes = [*built, *verdict.holds, *verdict.notes]
    text = report_html(log, collect(folder, log, embed_most), problems, notes)
    write_whole(folder / REPORT, text.encode("utf-8"))
    return folder / REPORT, problems

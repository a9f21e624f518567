"""`forget DIR --audio`: drop the recordings; the log stays and stays verifiable."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..errors import UserError
from ..record.exports import told_stale
from ..record.folder import AUDIO, REPORT, ExamFolder, log_of
from ..record.log import Log
from ..record.report import build_all
from ..record.verifying import RECORDINGS_DROPPED

_SOUND = frozenset({".flac", ".wav", ".ogg", ".opus", ".mp3"})


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "forget",
        help="drop an exam's recordings, keep its log verifiable",
        description="Delete every recording of the exam. The words heard, their hashes and signatures "
        "stay in the "
        "log. Copies and backups elsewhere are not touched.",
    )
    parser.add_argument("folder", metavar="DIR", type=Path, help="the exam folder")
    parser.add_argument("--audio", action="store_true", required=True, help="drop the recordings")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Note it in the log, then delete: a power cut between the two leaves files that a second run deletes."""
    with ExamFolder.resume(args.folder) as folder:
        if not _dropped(folder.recovered):
            folder.append(
                {
                    "kind": "flag",
                    "code": RECORDINGS_DROPPED,
                    "eye": "both",
                    "says": "The recordings of this exam were dropped on request; its log was kept.",
                    "facts": {},
                }
            )
        deleted = _delete_sound(args.folder)
    print(f"Deleted {deleted} recording{'' if deleted == 1 else 's'}. The log is kept.")
    build_all(args.folder)
    print(f"Built {REPORT} anew, without recordings.")
    if told := told_stale(args.folder, log_of(args.folder)):
        print(f"Still there: {told}.")
    return 0


def _dropped(log: Log) -> bool:
    return any(flag.get("code") == RECORDINGS_DROPPED for flag in log.of_kind("flag"))


def _delete_sound(folder: Path) -> int:
    deleted = 0
    for path in [*folder.iterdir(), *(folder / AUDIO).rglob("*")]:
        if not (path.is_file() or path.is_symlink()):
            continue
        # A power cut may have left a half-written file, .0042.flac.x1y2; the report may hold recordings.
        sound = any(suffix.lower() in _SOUND for suffix in path.suffixes)
        if sound or path.name == REPORT or path.name.startswith(f".{REPORT}."):
            _delete(path)
            deleted += sound
    return deleted


def _delete(path: Path) -> None:
    try:
        path.unlink()
    except OSError as error:
        raise UserError(
            f"{path} cannot be deleted: {error.strerror}. Delete it by hand, then run forget again"
        ) from None

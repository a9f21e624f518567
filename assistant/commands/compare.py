"""`compare DIR DIR...`: what changed between exams."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..record.comparing import picture, report
from ..record.exports import guard
from ..record.folder import write_whole
from ..record.summary import read_summary


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "compare",
        help="what changed between exams",
        description="Compare two exams or more, oldest first: lens by lens, as power vectors and in "
        "words, beside "
        "published repeatability.",
    )
    parser.add_argument("folders", metavar="DIR", type=Path, nargs="+", help="exam folders, two or more")
    parser.add_argument("--picture", metavar="FILE", type=Path, help="also draw it (SVG)")
    parser.set_defaults(run=run, parser=parser)


def run(args: argparse.Namespace) -> int:
    """Print the comparison. Raises UserError where an exam's log does not hold or has no prescription."""
    if len(args.folders) < 2:
        args.parser.error("give two exam folders or more")
    named = [(str(folder), read_summary(folder)) for folder in args.folders]
    named.sort(key=lambda held: held[1].begun)
    print("\n".join(report(named)))
    if args.picture is not None:
        guard(args.picture, "svg", "--picture")
        write_whole(args.picture, picture(named).encode())
        print(f"\n{args.picture}")
    return 0

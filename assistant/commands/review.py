"""`review DIR`: build the exam's report page."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from ..record.report import build_report


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "review",
        help="build the exam's report page",
        description="Build report.html in the exam folder from its log: the prescription, each eye's exam as a "
        "picture, the conversation with its recordings. The page asks nothing of the network.",
    )
    parser.add_argument("folder", metavar="DIR", type=Path, help="the exam folder")
    parser.add_argument("--open", action="store_true", help="open the page in the browser")
    parser.add_argument(
        "--audio-beside",
        action="store_true",
        help="link the recordings in audio/ instead of keeping them inside the page",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Build the page and print its path. Raises UserError where there is no exam or it cannot be written."""
    path, problems = build_report(args.folder, **({"embed_most": -1} if args.audio_beside else {}))
    for problem in problems:
        print(f"The record does not hold: {problem}. The page says so first", file=sys.stderr)
    print(path)
    if args.open:
        import webbrowser

        if not webbrowser.open(path.resolve().as_uri()):
            print("No browser could be opened: open the page by hand", file=sys.stderr)
    return 0

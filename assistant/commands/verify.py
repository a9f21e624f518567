"""`verify DIR`: check an exam folder end to end."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..errors import UserError
from ..record.folder import LOG, REPORT
from ..record.log import Problem, verify
from ..record.report import build_all, report_holds
from ..record.report.sounds import CONVERSATION
from ..record.signing import public_key
from ..record.verifying import Verdict, verify_folder


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "verify",
        help="check an exam folder's log end to end",
        description="Check the log line by line, the utterances' recordings, the signatures, and what was built from "
        "the log: prescription.json, transcript.txt and report.html. A recording of the whole conversation is not "
        "looked at, for the log holds no hash of it; exports are only told where they are of an earlier prescription.",
    )
    parser.add_argument("folder", metavar="DIR", type=Path, help="the exam folder")
    parser.add_argument("--key", metavar="FILE", type=Path, help="the prescriber's public key (PEM, Ed25519)")
    parser.add_argument(
        "--rebuild",
        action="store_true",
        help="first build prescription.json, transcript.txt and report.html anew, if every line of the log holds",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print what holds and what does not; raises UserError naming the first fault."""
    trusted = public_key(args.key) if args.key is not None else None
    if args.rebuild and (args.folder / LOG).is_file() and not verify(args.folder / LOG):
        for path in build_all(args.folder):
            print(f"built      {path.name}")
    verdict = verify_folder(args.folder, trusted)
    _check_unhashed(args.folder, verdict)
    for text in verdict.holds:
        print(f"holds      {text}")
    for text in verdict.notes:
        print(f"note       {text}")
    for problem in verdict.problems:
        print(f"PROBLEM    {LOG + ' ' if problem.line else ''}{problem}")
    if verdict.problems:
        first, more = verdict.problems[0], len(verdict.problems) - 1
        others = f"; and {more} more" if more else ""
        in_log = any(problem.line is not None for problem in verdict.problems)
        advice = ". A line cannot be mended: compare with a copy you trust" if in_log else ""
        raise UserError(f"{args.folder}: {first}{others}{advice}")
    print("The record holds.")
    return 0


def _check_unhashed(folder: Path, verdict: Verdict) -> None:
    """The report, which sign and amend build anew and so do not ask after, and what nothing can be said of."""
    if (folder / REPORT).is_file() and not any(problem.line is not None for problem in verdict.problems):
        if report_holds(folder):
            verdict.holds.append(f"{REPORT}: as it is built from the log and the recordings")
        else:
            what = f"{REPORT}: not as this version builds it from the log and the recordings"
            verdict.problems.append(Problem(None, f"{what}; verify --rebuild builds it anew"))
    for name in CONVERSATION:
        if (folder / name).is_file():
            verdict.notes.append(f"{name}: not checked, for the log holds no hash of it")

"""`resume DIR`: go on with an interrupted exam at the question it stood at."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path

from ..errors import UserError
from ..record.events import heard_from_event
from ..record.folder import ExamFolder, log_of
from ..record.replay import replay
from ..session import Session
from .exam import add_listening, conduct


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "resume",
        help="go on with an interrupted exam",
        description="Goes on with an exam that was interrupted: every answer in its log stands, and the question "
        "it stood at is put again.",
    )
    parser.add_argument("folder", metavar="DIR", type=Path, help="the exam folder")
    add_listening(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    log = log_of(args.folder)
    if not log.events:
        raise UserError(f"{args.folder}: nothing was logged yet: begin the exam anew")
    if any(event["kind"] == "prescription" and event.get("confirmed") for event in log.events):
        raise UserError(f"{args.folder} is a finished exam: correct it by amend, or begin a new one")
    if any("amends" in event or "by_hand" in event or "signed" in event for event in log.events):
        raise UserError(
            f"{args.folder} was corrected or signed since, which going on would undo: correct it by amend, or begin a "
            "new exam"
        )
    if replay(log).parted is not None:
        raise UserError(f"{args.folder}: its answers lead elsewhere with this version of the program: begin a new exam")
    spoken = [place for place, event in enumerate(log.events) if event["kind"] == "heard"]
    after = log.events[spoken[-1] + 1 :] if spoken else log.events

    def go_on(session: Session) -> None:
        session.catch_up((heard_from_event(log.events[place]) for place in spoken), after)
        session.ask_again()

    def reopen(heard_by: Mapping[str, str]) -> ExamFolder:
        return ExamFolder.resume(args.folder)

    header = log.header
    return conduct(args, reopen, dict(header.get("start") or {}), header.get("asks", "examiner"), go_on)

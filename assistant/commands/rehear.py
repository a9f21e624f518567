"""`rehear DIR`: the stored utterances through another engine or model, and where the meaning would differ."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from ..errors import UserError
from ..grammar import Grammars
from ..grammar.grammar import listening_for
from ..hearing.audio import read
from ..hearing.recogniser import Recogniser
from ..protocol.meanings import Heard
from ..protocol.questions import Eye, Value
from ..record.events import Event
from ..record.folder import log_of
from ..record.log import Log
from ..record.report.sounds import collect
from .hear import grammars, natural


@dataclass(frozen=True)
class Rehearing:
    """One stored utterance, heard again. `then` and `now` are meaning, value and whether it was accepted."""

    event: int
    audio: str
    then: tuple[str | None, Any, bool]
    now: tuple[str | None, Any, bool]
    text: str

    @property
    def differs(self) -> bool:
        """Another meaning, or accepted where it was not, or the other way round."""
        return self.then != self.now if self.then[2] or self.now[2] else False


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "rehear",
        help="run the stored utterances through another engine or model",
        description="Hears the stored utterances of an exam once more and lists where the meaning would differ. "
        "The exam is not changed.",
    )
    parser.add_argument("folder", metavar="DIR", type=Path, help="the exam folder")
    parser.add_argument("--engine", help="the recogniser (the embedded one)")
    parser.add_argument("--model", metavar="DIR", type=Path, help="its model (the packaged one)")
    parser.add_argument("--json", action="store_true", help="JSON, one line an utterance")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    from ..hearing.engines import load

    log = log_of(args.folder)
    if not any(event.get("audio") for event in log.of_kind("heard")):
        raise UserError(f"{args.folder} has no recordings: the exam was typed")
    sounds = collect(args.folder, log, most=-1)
    if not sounds.utterances:
        raise UserError(f"{args.folder}: none of its recordings can be heard ({next(iter(sounds.faults.values()))})")
    recogniser = load(args.engine, args.model)
    heard = differing = 0
    for found in rehear(args.folder, log, frozenset(sounds.utterances), recogniser, grammars()):
        heard += 1
        differing += found.differs
        if args.json:
            print(json.dumps({**asdict(found), "differs": found.differs}, ensure_ascii=False), flush=True)
        elif found.differs:
            print(f"{found.event:5}  {_shown(found.then):24} now {_shown(found.now):24} “{found.text}”  {found.audio}")
    for event, fault in sounds.faults.items():
        print(f"Event {event} was not heard again: {fault}", file=sys.stderr)
    if not args.json:
        print(f"{heard} utterances heard again by {recogniser.name} {recogniser.model}: {differing} differ")
    return 0


def rehear(
    folder: Path, log: Log, sound: frozenset[int], recogniser: Recogniser, linked: Grammars
) -> Iterator[Rehearing]:
    """Each utterance whose seq is in `sound`, by the grammars that were live when it was said, as the log tells.

    The log is followed rather than the exam's machine: a later version of that might ask something else.
    """
    instrument = ((log.header.get("start") or {}).get("manner") or {}).get("instrument") or {}
    plus = instrument.get("cylinders") == "plus"
    question: Event | None = None
    paused = False
    for event in log.events:
        if event["kind"] == "question":
            question = event
        elif event["kind"] == "prescription":
            question = None
        elif event["kind"] == "heard" and "amends" not in event:
            if event["seq"] in sound:
                grammar = linked.union(*_live(question, paused, plus))
                now = recogniser.hear(read(folder / event["audio"]), grammar)
                then = (event["meaning"], event.get("value"), bool(event["accepted"]))
                yield Rehearing(event["seq"], event["audio"], then, _result(now), now.text)
            if event["accepted"] and event["meaning"] in ("pause", "resume"):
                paused = event["meaning"] == "pause"


def _live(question: Event | None, paused: bool, plus: bool) -> tuple[str, ...]:
    """The grammars' names, as the session chose them. (From a patient's own microphone it takes answers alone; the
    log does not tell how many microphones there were, and commands are listened for besides.)
    """
    if question is not None and question["form"] == "value":
        return listening_for(Value(Eye(question["eye"]), question["step"], question["of"]), paused, plus)
    names = listening_for(None, paused, plus)
    return names if question is None or paused else (question["form"], *names)


def _result(heard: Heard) -> tuple[str | None, Any, bool]:
    return (None if heard.meaning is None else str(heard.meaning), natural(heard), heard.accepted)


def _shown(result: tuple[str | None, Any, bool]) -> str:
    meaning, value, accepted = result
    if not accepted:
        return "asked again"
    return f"{meaning}" if value is None else f"{meaning} {value}"

"""`rehear DIR`: the stored utterances through another engine or model, and where the meaning would differ."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from ..errors import UserError
from ..grammar import Grammars
from ..grammar.grammar import EVERYWHERE
from ..hearing.audio import read
from ..hearing.recogniser import Recogniser
from ..protocol.meanings import Heard
from ..record.events import Event
from ..record.folder import log_of
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
        raise UserError(f"{args.folder} has no recordings: the exam was typed, or they were dropped by forget")
    recogniser = load(args.engine, args.model)
    heard = differing = missing = 0
    for found in rehear(args.folder, log.events, recogniser, grammars()):
        if found is None:
            missing += 1
            continue
        heard += 1
        differing += found.differs
        if args.json:
            print(json.dumps({**asdict(found), "differs": found.differs}, ensure_ascii=False))
        elif found.differs:
            print(f"{found.event:5}  {_shown(found.then):24} now {_shown(found.now):24} “{found.text}”  {found.audio}")
    if not args.json:
        gone = f", {missing} recordings are gone" if missing else ""
        print(f"{heard} utterances heard again by {recogniser.name} {recogniser.model}: {differing} differ{gone}")
    return 0


def rehear(
    folder: Path, events: tuple[Event, ...], recogniser: Recogniser, linked: Grammars
) -> Iterator[Rehearing | None]:
    """Each stored utterance by the grammar that was live when it was said; None for a recording that is gone."""
    live: tuple[str, ...] = EVERYWHERE
    for event in events:
        if event["kind"] == "question":
            name = event["of"] if event["form"] == "value" else event["form"]
            live = (name, *EVERYWHERE) if name in linked.names else EVERYWHERE
        elif event["kind"] == "heard" and event.get("audio") and "amends" not in event:
            path = folder / event["audio"]
            if not path.is_file():
                yield None
                continue
            now = recogniser.hear(read(path), linked.union(*live))
            then = (event["meaning"], event.get("value"), bool(event["accepted"]))
            yield Rehearing(event["seq"], event["audio"], then, _result(now), now.text)


def _result(heard: Heard) -> tuple[str | None, Any, bool]:
    return (None if heard.meaning is None else str(heard.meaning), natural(heard), heard.accepted)


def _shown(result: tuple[str | None, Any, bool]) -> str:
    meaning, value, accepted = result
    if not accepted:
        return "asked again"
    return f"{meaning}" if value is None else f"{meaning} {value}"

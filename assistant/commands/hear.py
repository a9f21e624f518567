"""`hear FILE...`: recognise recordings, one utterance a file."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..data import grammar_sources
from ..errors import UserError
from ..grammar import LISTENING_FOR, Grammar, Grammars
from ..hearing.audio import read, spoken
from ..hearing.engines import NAMES, load
from ..protocol.meanings import Heard, Meaning, Outcome

POWERS = frozenset({Meaning.SET_SPHERE, Meaning.SET_CYLINDER, Meaning.SET_ADD})


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "hear",
        help="recognise recordings",
        description="Recognises recordings, one utterance a file: what was heard, what it means, and whether "
        "the assistant would act on it or ask again.",
    )
    parser.add_argument("files", metavar="FILE", type=Path, nargs="+", help="recordings: WAV, FLAC or OGG")
    parser.add_argument(
        "--listening-for",
        choices=tuple(LISTENING_FOR),
        default="all",
        help="what is expected: answers to a pair of lenses, to a line of letters, commands, or all (all)",
    )
    parser.add_argument("--json", action="store_true", help="JSON, one line a file")
    parser.add_argument("--engine", choices=NAMES, help="the recogniser (the embedded one)")
    parser.add_argument("--model", metavar="DIR", type=Path, help="its model (the packaged one)")
    parser.set_defaults(run=run)


def grammars() -> Grammars:
    """The grammar files, linked. Raises UserError for one that cannot be read."""
    from ..grammar import GrammarError

    try:
        return Grammars(grammar_sources())
    except (GrammarError, OSError, ValueError) as error:
        raise UserError(f"the grammar files cannot be used: {error}") from None


def natural(heard: Heard) -> int | float | str | None:
    """A value in the units people use: dioptres, degrees, millimetres, years, "20/25"."""
    if heard.meaning in POWERS and isinstance(heard.value, (int, float)):
        return heard.value / 100
    return heard.value


def run(args: argparse.Namespace) -> int:
    """Hear every file. One that cannot be read is told of on standard error; the others are still heard."""
    grammar = grammars().union(*LISTENING_FOR[args.listening_for])
    recogniser = load(args.engine, args.model)
    failed = 0
    for path in args.files:
        try:
            row = _hear(path, recogniser, grammar)
        except UserError as error:
            print(f"handsfree-refraction: {error}", file=sys.stderr)
            failed += 1
            continue
        print(json.dumps(row, ensure_ascii=False) if args.json else _plain(row), flush=True)
    return 1 if failed else 0


def _hear(path: Path, recogniser: Any, grammar: Grammar) -> dict[str, Any]:
    began = time.perf_counter()
    speech = spoken(read(path))
    heard = Heard("", Outcome.SILENCE) if speech is None else recogniser.hear(speech, grammar)
    return {
        "file": str(path),
        "heard": heard.text,
        "meaning": None if heard.meaning is None else str(heard.meaning),
        "value": natural(heard),
        "accepted": heard.accepted,
        "score": heard.score,
        "seconds": round(time.perf_counter() - began, 3),
    }


def _plain(row: Mapping[str, Any]) -> str:
    what = row["meaning"] or "nothing understood"
    if row["value"] is not None:
        what += f" {row['value']:+.2f}" if isinstance(row["value"], float) else f" {row['value']}"
    verdict = "accepted" if row["accepted"] else "would ask again"
    return f'{row["file"]}: "{row["heard"]}" -> {what} ({verdict}, {row["seconds"]:.2f} s)'

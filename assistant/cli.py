"""The command line: finds the command and runs it. Each command is a module of `assistant.commands`."""

from __future__ import annotations

import argparse
import importlib
import os
import sys

from . import __version__
from .errors import UserError

PROGRAM = "handsfree-refraction"

# In the order of `--help`: the day's work first. A module is imported when its turn comes, so that a missing
# optional library touches only the command that needs it.
COMMANDS = (
    "demo",
    "exam",
    "hear",
    "simulate",
    "practice",
    "review",
    "export",
    "resume",
    "verify",
    "sign",
    "amend",
    "compare",
    "rehear",
    "bench",
    "settings",
    "forget",
    "check",
)


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = argparse.ArgumentParser(
        prog=PROGRAM,
        description="An offline, hands-free assistant for subjective refraction at a manual refractor head. "
        "It assists: the prescription is a draft until a licensed practitioner signs it.",
    )
    top.add_argument("--version", action="version", version=f"{PROGRAM} {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name in COMMANDS:
        try:
            module = importlib.import_module(f".commands.{name}", __package__)
        except ModuleNotFoundError as missing:
            if missing.name == f"{__package__}.commands.{name}":
                continue
            raise
        module.add_parser(commands)
    return top


def main(argv: list[str] | None = None) -> int:
    """Run one command. Exit codes: 0 done, 1 the work failed (one line says what to do), 2 wrong usage."""
    args = parser().parse_args(argv)
    try:
        code: int = args.run(args)
        sys.stdout.flush()
        return code
    except UserError as error:
        print(f"{PROGRAM}: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print(f"\n{PROGRAM}: stopped; what was done is kept", file=sys.stderr)
        return 1
    except BrokenPipeError:
        # Whoever read our output has gone; nothing more can be said there.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1

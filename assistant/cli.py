"""The command line: finds the command and runs it. Each command is a module of `assistant.commands`."""

from __future__ import annotations

import argparse
import importlib
import io
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


def parser(command: str | None = None) -> argparse.ArgumentParser:
    """The command line: with that command alone, or the whole of it where there is none of that name."""
    top = argparse.ArgumentParser(
        prog=PROGRAM,
        description="An offline, hands-free assistant for subjective refraction at a manual refractor head. "
        "It assists: the prescription is a draft until a licensed practitioner signs it.",
    )
    top.add_argument("--version", action="version", version=f"{PROGRAM} {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)
    if command not in COMMANDS or not _add(commands, command):
        for name in COMMANDS:
            _add(commands, name)
    return top


def _add(commands: argparse._SubParsersAction[argparse.ArgumentParser], name: str) -> bool:
    """Add a command; False where this version has none of that name."""
    try:
        module = importlib.import_module(f".commands.{name}", __package__)
    except ModuleNotFoundError as missing:
        if missing.name == f"{__package__}.commands.{name}":
            return False
        raise
    module.add_parser(commands)
    return True


def main(argv: list[str] | None = None) -> int:
    """Run one command. Exit codes: 0 done, 1 the work failed (one line says what to do), 2 wrong usage."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a terminal that lacks a letter is no reason to stop
            stream.reconfigure(errors="backslashreplace")
    words = sys.argv[1:] if argv is None else argv
    args = parser(words[0] if words else None).parse_args(words)
    try:
        code: int = args.run(args)
        sys.stdout.flush()
        return code
    except UserError as error:
        print(f"{PROGRAM}: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        own_line = "\n" if sys.stderr.isatty() else ""  # after the ^C
        print(f"{own_line}{PROGRAM}: stopped; what was done is kept", file=sys.stderr)
        return 1
    except BrokenPipeError:
        _give_up_output()  # whoever read it has gone; nothing more can be said there
        return 1
    except OSError as error:
        if not _output_fails():
            raise
        _give_up_output()
        print(f"{PROGRAM}: the output cannot be written: {error.strerror}", file=sys.stderr)
        return 1


def _output_fails() -> bool:
    try:
        sys.stdout.write("\n")
        sys.stdout.flush()
    except OSError:
        return True
    return False


def _give_up_output() -> None:
    """What still waits for an output that failed would be tried once more, in vain and aloud, at the very end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())

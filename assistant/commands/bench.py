"""`bench WHAT`: measured figures of this machine, printed for people or as JSON."""

from __future__ import annotations

import argparse
import importlib

# Each measures one thing; a module is imported only when its figures are asked for.
WHAT = ("hearing", "microphones", "latency", "patients", "evidence")


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "bench",
        help="measured figures: " + ", ".join(WHAT),
        description="Measures on this machine and prints the figures. Nothing here passes or fails.",
    )
    benches = parser.add_subparsers(dest="what", metavar="WHAT", required=True)
    for what in WHAT:
        try:
            module = importlib.import_module(f".bench_{what}", __package__)
        except ModuleNotFoundError as missing:
            if missing.name == f"{__package__}.bench_{what}":
                continue
            raise
        module.add_parser(benches)

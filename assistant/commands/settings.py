"""`settings`: write a settings file to begin with, or show what holds."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from ..errors import UserError
from ..protocol.start import Manner
from ..record.starts import start_from_dict
from ..settings import PLACE, TEMPLATE, read_settings, usual_path


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "settings",
        help="the refractor head, and how exams are run",
        description=f"The settings file: in the user's configuration folder, or where ${PLACE} says.",
    )
    verbs = parser.add_subparsers(dest="verb", metavar="init|show", required=True)
    init = verbs.add_parser("init", help="write a file with every setting and its default, to be changed by hand")
    init.add_argument("--out", metavar="FILE", type=Path, help="where (the usual place)")
    init.set_defaults(run=run_init)
    show = verbs.add_parser("show", help="show what holds")
    show.add_argument("--settings", metavar="FILE", type=Path, help="of this file (the usual one)")
    show.add_argument("--json", action="store_true", help="as one JSON object")
    show.set_defaults(run=run_show)


def run_init(args: argparse.Namespace) -> int:
    path = args.out or usual_path()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(TEMPLATE)
    except FileExistsError:
        raise UserError(f"{path} is there already: change it by hand, or move it away first") from None
    except OSError as error:
        raise UserError(f"{path} cannot be written: {error.strerror}. Give a file you may write") from None
    print(f"Settings: {path}")
    return 0


def run_show(args: argparse.Namespace) -> int:
    settings = read_settings(args.settings)
    start = start_from_dict(dict(settings.start))
    told: dict[str, object] = {"file": None if settings.path is None else str(settings.path), **_told(start.manner)}
    told |= {"vertex": start.vertex, **{key: settings.listening.get(key) for key in ("microphone", "engine", "model")}}
    if args.json:
        print(json.dumps(told))
    else:
        told["file"] = told["file"] or f"none; the defaults hold ({usual_path()})"
        for key, value in told.items():
            print(f"{key:<17} {_shown(value)}")
    return 0


def _shown(value: object) -> object:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "-" if value is None else value


def _told(manner: Manner) -> dict[str, object]:
    head = manner.instrument
    return {
        "cylinders": head.cylinders.value,
        "sphere_low": head.sphere_low / 100,
        "sphere_high": head.sphere_high / 100,
        "cylinder_most": head.cylinder_most / 100,
        "near": manner.near.value,
        "working_distance": manner.working_distance,
        "balance": manner.balance,
        "duochrome": manner.duochrome,
        "intake": manner.intake,
        "power_by": manner.power_by,
        "pace": manner.pace,
    }

"""`sign DIR`: the draft becomes a signed prescription."""

from __future__ import annotations

import argparse
import getpass
import sys
from pathlib import Path

from ..errors import UserError
from ..record.events import Event
from ..record.folder import ExamFolder
from ..record.log import Log, utc_now
from ..record.prescription import eye_written, flags_in_force, left_open
from ..record.report import build_all
from ..record.signing import SigningKey, fingerprint, signed_event
from ..record.verifying import verify_folder


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "sign",
        help="sign the draft prescription",
        description="A licensed practitioner signs: what is signed and what it lacks is printed, and the draft becomes "
        "active. What it lacked stays in the signature. Later changes are amendments and need a new signature.",
    )
    parser.add_argument("folder", metavar="DIR", type=Path, help="the exam folder")
    parser.add_argument("--by", metavar="NAME", required=True, help="the licensed practitioner who signs")
    parser.add_argument("--licence", metavar="ID", required=True, help="licence or registration number")
    parser.add_argument("--key", metavar="FILE", type=Path, help="also sign with this private key (PEM, Ed25519)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Sign, and print what was signed. Raises UserError where the record does not hold or is signed
    already.
    """
    key = SigningKey(args.key, _password if sys.stdin.isatty() else None) if args.key is not None else None
    verdict = verify_folder(args.folder)
    if verdict.problems:
        raise UserError(f"not signed, for the record does not hold: {verdict.problems[0]}. Run verify on the folder")
    with ExamFolder.resume(args.folder) as folder:
        event = signed_event(folder.recovered, args.by, args.licence, utc_now, key)
        _show(folder.recovered, event)
        folder.append(event)
    print(
        f"Signed by {event['signed']['by']}, licence {event['signed']['licence']}"
        f"{f', key {fingerprint(key.public)}' if key else ''}."
    )
    build_all(args.folder)
    return 0


def _password() -> str:
    return getpass.getpass("Password of the key: ")


def _show(log: Log, prescription: Event) -> None:
    """What is about to be signed, and every caution, before it is."""
    for eye in ("right", "left"):
        carried = prescription[eye].get("examined") is False and prescription[eye].get("sphere") is not None
        remark = "  (carried over, not found in this exam)" if carried else ""
        print(f"{eye:<6} {eye_written(prescription[eye])}{remark}")
    if prescription.get("pd") is not None:
        print(f"PD     {prescription['pd']:g} mm")
    for lacking in left_open(prescription):
        print(f"NOT COMPLETE: {lacking}")
    for flag in flags_in_force(log):
        named = flag["eye"] == "both" or flag["says"].lower().startswith(f"{flag['eye']} eye")
        print(f"Caution: {'' if named else flag['eye'] + ' eye: '}{flag['says']} (event {flag['seq']})")
    sys.stdout.flush()  # read before it is signed, whatever happens then

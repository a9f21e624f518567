"""`sign DIR`: the draft becomes a signed prescription."""

from __future__ import annotations

import argparse
import getpass
import sys
from pathlib import Path

from ..errors import UserError
from ..record.folder import ExamFolder
from ..record.log import Log, utc_now
from ..record.prescription import eye_written, last_prescription
from ..record.report import build_all
from ..record.signing import SigningKey, fingerprint, signed_event
from ..record.verifying import verify_folder


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "sign",
        help="sign the draft prescription",
        description="A licensed practitioner signs: the draft becomes active. Later changes are "
        "amendments and need "
        "a new signature.",
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
        folder.append(event)
        _show(folder.recovered, args.by, args.licence, key)
    build_all(args.folder)
    return 0


def _password() -> str:
    return getpass.getpass("Password of the key: ")


def _show(log: Log, by: str, licence: str, key: SigningKey | None) -> None:
    prescription = last_prescription(log.events)
    assert prescription is not None  # signed_event refuses without one
    for eye in ("right", "left"):
        print(f"{eye:<6} {eye_written(prescription[eye])}")
    if prescription.get("pd") is not None:
        print(f"PD     {prescription['pd']:g} mm")
    print(f"Signed by {by}, licence {licence}{f', key {fingerprint(key.public)}' if key else ''}.")
    if not prescription.get("confirmed", True):
        print("Note: the draft was not confirmed at read-back.")
    for flag in log.of_kind("flag"):
        eye = "" if flag["eye"] == "both" else f"{flag['eye']} eye: "
        print(f"Caution: {eye}{flag['says']} (event {flag['seq']})")

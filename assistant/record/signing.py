"""Signing a prescription, and checking signatures.

A signature is one more `prescription` event at the end of the log: the same prescription, `"status":
"active"`, and

    "signed": {"by", "licence", "at", "covers": {"events": 143, "hash": "<64 hex>"}, "method": "name" or
    "ed25519"}

so that it covers, through the chain, every line before it; and where the draft was not brought to its end, `"open"`:
what was open as it was signed. By name alone it says who answers for the
prescription; it does not prove it. With a key (Ed25519, RFC 8032) it also holds `public_key` and
`signature` (hex): the signature is over the compact ASCII JSON of the event without `seq`, `at`, `prev`,
`hash` and `signed.signature`, in the order of the line. Whoever knows the prescriber's public key can then
tell a log rewritten as a whole.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

from ..errors import UserError
from .events import Event
from .log import NO_HASH, Clock, Log, Problem, dump, stamp, utc_now
from .prescription import (
    ACTIVE,
    LOG_KEYS,
    clinical,
    last_prescription,
    left_open,
    signature_in_force,
)

NAME = "name"
ED25519 = "ed25519"

_INSTALL = "pip install 'handsfree-refraction[sign]'"


class KeysMissing(Exception):
    """The key library is not installed, so that a key signature can be neither made nor checked."""


class SigningKey:
    """An Ed25519 private key from a PEM file (PKCS #8), such as `openssl genpkey -algorithm ed25519`
    makes.
    """

    def __init__(self, path: Path, password: Callable[[], str] | None = None):
        """`password` is asked only for a key that has one. Raises UserError where the file is no such key."""
        try:
            from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
            from cryptography.hazmat.primitives.serialization import (
                Encoding,
                PublicFormat,
                load_pem_private_key,
            )
        except ImportError:
            raise UserError(f"signing with a key needs the cryptography package: {_INSTALL}") from None
        try:
            content = path.read_bytes()
        except OSError as error:
            raise UserError(f"{path} cannot be read: {error.strerror}. Give the file of a private key") from None
        try:
            try:
                key = load_pem_private_key(content, None)
            except TypeError:  # it has a password
                if password is None:
                    raise UserError(f"{path} needs its password: run sign at a terminal") from None
                key = load_pem_private_key(content, password().encode())
        except (ValueError, TypeError):
            raise UserError(f"{path} is no private key in PEM form, or its password is another") from None
        if not isinstance(key, Ed25519PrivateKey):
            raise UserError(f"{path} is not an Ed25519 key. Make one: openssl genpkey -algorithm ed25519")
        self._key = key
        self.public = key.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)

    def sign(self, message: bytes) -> bytes:
        signature: bytes = self._key.sign(message)
        return signature


def public_key(path: Path) -> bytes:
    """The 32 bytes of an Ed25519 public key in a PEM file; raises UserError."""
    try:
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
        from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat, load_pem_public_key
    except ImportError:
        raise UserError(f"checking against a key needs the cryptography package: {_INSTALL}") from None
    try:
        key = load_pem_public_key(path.read_bytes())
    except OSError as error:
        raise UserError(f"{path} cannot be read: {error.strerror}. Give the file of a public key") from None
    except ValueError:
        key = None
    if not isinstance(key, Ed25519PublicKey):
        raise UserError(f"{path} is not an Ed25519 public key in PEM form")
    return key.public_bytes(Encoding.Raw, PublicFormat.Raw)


def fingerprint(public: bytes) -> str:
    """A public key as people compare it: the first 16 hex digits of its SHA-256, in fours."""
    digits = hashlib.sha256(public).hexdigest()[:16]
    return " ".join(digits[place : place + 4] for place in range(0, 16, 4))


def message(event: Event) -> bytes:
    """What a key signature is over; see the module's docstring."""
    content = {key: value for key, value in event.items() if key not in LOG_KEYS}
    content["signed"] = {key: value for key, value in event["signed"].items() if key != "signature"}
    return dump(content).encode("ascii")


def signed_event(log: Log, by: str, licence: str, clock: Clock = utc_now, key: SigningKey | None = None) -> Event:
    """The event that signs the prescription of `log`, to be appended to it.

    Raises UserError where there is none to sign, it is signed already, or name or licence is empty.
    """
    by, licence = " ".join(by.split()), " ".join(licence.split())
    if not by:
        raise UserError("--by: give the name of the licensed practitioner who signs")
    if not licence:
        raise UserError("--licence: give the licence or registration number of the practitioner who signs")
    prescription = last_prescription(log.events)
    if prescription is None:
        raise UserError("the exam has no prescription to sign yet: go on with it by resume")
    if all(prescription[eye].get("sphere") is None for eye in ("right", "left")):
        raise UserError("neither eye was measured: there is no prescription to sign")
    already = signature_in_force(log.events)
    if already is not None:
        raise UserError(
            f"it is signed already, by {already['signed']['by']} at {already['signed']['at']}: "
            "to change it, amend first, then sign again"
        )
    signed: Event = {
        "by": by,
        "licence": licence,
        "at": stamp(clock()),
        "covers": {"events": len(log.events), "hash": log.last_hash},
        "method": NAME if key is None else ED25519,
    }
    if lacking := left_open(prescription):
        signed["open"] = lacking
    event: Event = {"kind": "prescription", **clinical(prescription), "status": ACTIVE, "signed": signed}
    if key is not None:
        signed["public_key"] = key.public.hex()
        signed["signature"] = key.sign(message(event)).hex()
    return event


def check_signatures(log: Log) -> list[Problem]:
    """Every signature of the log that does not hold, by line. Raises KeysMissing where a key signature
    cannot be checked for want of the library; whatever can be checked without it has then been found sound.
    """
    problems: list[Problem] = []
    unchecked = False
    for place, held in enumerate(log.events):
        signed = held.get("signed") if held["kind"] == "prescription" else None
        if not isinstance(signed, dict):
            if held["kind"] == "prescription" and held.get("status") == ACTIVE:
                problems.append(Problem(place + 1, "the prescription is called active, but nobody signed it"))
            continue
        before = log.events[:place]
        try:
            covers = signed["covers"]
            sound = covers["events"] == place and covers["hash"] == (before[-1]["hash"] if before else NO_HASH)
            prescribed = last_prescription(before)
            same = prescribed is not None and clinical(prescribed) == clinical(held)
            method = signed["method"]
            complete = bool(signed["by"]) and bool(signed["licence"]) and held["status"] == ACTIVE
        except (KeyError, TypeError, IndexError):
            problems.append(Problem(place + 1, "the signature lacks what it must state"))
            continue
        if not complete:
            problems.append(Problem(place + 1, "the signature lacks what it must state"))
        if not sound:
            problems.append(Problem(place + 1, "the signature does not cover the log before it"))
        if not same:
            problems.append(Problem(place + 1, "the signed prescription is not the one the exam had come to"))
        if method == ED25519:
            try:
                if not _key_signature_holds(held):
                    problems.append(Problem(place + 1, "the key signature does not hold"))
            except KeysMissing:
                unchecked = True
        elif method != NAME:
            problems.append(Problem(place + 1, f"the signature's method {method!r} is none known here"))
    if unchecked and not problems:
        raise KeysMissing(f"a key signature was not checked; to check it: {_INSTALL}")
    return problems


def _key_signature_holds(event: Event) -> bool:
    try:
        from cryptography.exceptions import InvalidSignature
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    except ImportError:
        raise KeysMissing from None
    try:
        public = Ed25519PublicKey.from_public_bytes(bytes.fromhex(event["signed"]["public_key"]))
        public.verify(bytes.fromhex(event["signed"]["signature"]), message(event))
    except (InvalidSignature, KeyError, TypeError, ValueError):
        return False
    return True

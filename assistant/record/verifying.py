"""Whether an exam folder still is what was recorded: log, recordings, signatures, and what was built from
them.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from ..errors import UserError
from ..protocol.effects import Prescribe
from .events import Event, EventError, event
from .exports import told_stale
from .folder import AUDIO, LOG, PRESCRIPTION, TRANSCRIPT
from .log import Log, Problem, check_lines, parse
from .prescription import prescription_dict, signature_in_force
from .replay import replay
from .shape import faults
from .signing import ED25519, KeysMissing, check_signatures, fingerprint
from .transcript import transcript

RECORDINGS_DROPPED = "recordings_dropped"  # code of the flag that forgetting leaves in the log


@dataclass
class Verdict:
    """`problems`: what does not hold (empty: all holds). `holds`: what was checked and holds. `notes`: what
    could not be checked, or needs no mending."""

    problems: list[Problem] = field(default_factory=list)
    holds: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def verify_folder(folder: Path, trusted_key: bytes | None = None) -> Verdict:
    """Check an exam folder end to end. `trusted_key`: the public key (32 bytes) the signature in force must
    be by.

    Raises UserError where there is no log to read.
    """
    path = folder / LOG
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise UserError(f"{folder} holds no exam ({LOG} is missing): give the folder of an exam") from None
    except OSError as error:
        raise UserError(f"{path} cannot be read: {error.strerror}") from None
    verdict = Verdict(problems=list(check_lines(raw)))
    try:
        log = parse(raw, path)
    except UserError:  # a line is no event: named above
        log = None
    if log is not None:
        verdict.problems += [Problem(line, what) for line, what in faults(log.events)]
    if log is None or any(problem.line is not None for problem in verdict.problems):
        if log is not None:
            _check_end(folder, log, verdict)
        verdict.notes.append("recordings and signatures were not checked, for the log does not hold")
        return verdict
    verdict.holds.append(f"{LOG}: {len(log.events)} events, every line as written, none missing")
    _check_audio(folder, log, verdict)
    _check_signed(log, verdict, trusted_key)
    _check_end(folder, log, verdict)
    _check_built(folder, log, verdict)
    if told := told_stale(folder, log):
        verdict.notes.append(told)
    _check_replay(log, verdict)
    return verdict


def _check_audio(folder: Path, log: Log, verdict: Verdict) -> None:
    dropped = any(flag["code"] == RECORDINGS_DROPPED for flag in log.of_kind("flag"))
    named = {str(held["audio"]): held for held in log.of_kind("heard") if held.get("audio")}
    stored = {held.relative_to(folder).as_posix() for held in (folder / AUDIO).rglob("*") if not held.is_dir()}
    if dropped:
        verdict.notes.append("recordings: dropped on purpose, as the log says")
        verdict.notes += [f"{name}: still there, to be dropped by forget" for name in sorted(stored)]
        return
    before = len(verdict.problems)
    for name, held in named.items():
        what = _audio_fault(folder, name, held)
        if what:
            verdict.problems.append(Problem(held["seq"] + 1, f"its recording {name} {what}"))
    if named and len(verdict.problems) == before:
        verdict.holds.append(f"recordings: {len(named)}, all as recorded")
    for name in sorted(stored - set(named)):
        verdict.notes.append(f"{name}: no event names it (such as an utterance cut off before it was logged)")


def _audio_fault(folder: Path, name: object, held: Event) -> str | None:
    parts = PurePosixPath(str(name)).parts
    if len(parts) != 2 or parts[0] != AUDIO or parts[1] == "..":
        return "is not in the folder of recordings"
    try:
        digest = hashlib.sha256(folder.joinpath(*parts).read_bytes()).hexdigest()
    except FileNotFoundError:
        return "is missing"
    except OSError as error:
        return f"cannot be read: {error.strerror}"
    return None if digest == held.get("audio_sha256") else "was changed"


def _check_signed(log: Log, verdict: Verdict, trusted_key: bytes | None) -> None:
    try:
        problems = check_signatures(log)
    except KeysMissing as missing:
        problems = []
        verdict.notes.append(str(missing))
    verdict.problems += problems
    force = signature_in_force(log.events)
    if force is None:
        if trusted_key is not None:
            verdict.problems.append(Problem(None, "the prescription is not signed, so not by the given key"))
        verdict.notes.append(
            "signature: changed after it was signed, to be signed again"
            if any(held.get("signed") for held in log.of_kind("prescription"))
            else "signature: none, the prescription is a draft"
        )
        return
    signed = force["signed"]
    text = f"signature: by {signed['by']}, licence {signed['licence']}, at {signed['at']}"
    if signed["method"] == ED25519:
        public = bytes.fromhex(signed["public_key"])
        text += f", key {fingerprint(public)}"
        if trusted_key is not None and public != trusted_key:
            verdict.problems.append(Problem(force["seq"] + 1, "the signature is by another key than the given one"))
        elif trusted_key is None:
            verdict.notes.append("whose key it is, only a comparison with the prescriber's own key tells: --key")
    elif trusted_key is not None:
        verdict.problems.append(Problem(force["seq"] + 1, "the signature is by name alone, not by the given key"))
    else:
        verdict.notes.append("a signature by name tells a changed line, but not a log written anew as a whole")
    if not problems:
        verdict.holds.append(text)


def _check_end(folder: Path, log: Log, verdict: Verdict) -> None:
    """The end of the log, against the count and hash that prescription.json keeps."""
    built = _read_prescription(folder, verdict)
    if built is None:
        if any(log.of_kind("prescription")):
            verdict.problems.append(
                Problem(None, f"{PRESCRIPTION} is missing; verify --rebuild builds it from the log")
            )
        else:
            verdict.notes.append("the exam has no prescription yet: nothing shows whether its last lines are missing")
        return
    try:
        count, digest = int(built["log"]["events"]), built["log"]["hash"]
    except (KeyError, TypeError, ValueError):
        verdict.problems.append(Problem(None, f"{PRESCRIPTION} no longer says where the log ends"))
        return
    if count > len(log.events):
        missing = count - len(log.events)
        verdict.problems.append(
            Problem(
                len(log.events) + 1,
                f"the end of the log is missing: {PRESCRIPTION} knows of {missing} more event"
                f"{'s' if missing > 1 else ''}",
            )
        )
    elif count < 1 or log.events[count - 1].get("hash") != digest:
        verdict.problems.append(
            Problem(
                max(count, 1),
                f"is not the line that {PRESCRIPTION} was built from: one of the two was replaced",
            )
        )
    elif not verdict.problems:
        verdict.holds.append(f"end of the log: as {PRESCRIPTION} has it")


def _read_prescription(folder: Path, verdict: Verdict) -> dict[str, Any] | None:
    try:
        built = json.loads((folder / PRESCRIPTION).read_text("utf-8"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, RecursionError):
        built = {}
    return built if isinstance(built, dict) else {}


def _check_built(folder: Path, log: Log, verdict: Verdict) -> None:
    """What was built from the log, against what the log gives."""
    expected = prescription_dict(log)
    built = _read_prescription(folder, verdict)
    if expected is not None and built is not None:
        differing = [key for key in expected if built.get(key) != expected[key]]
        differing += [key for key in built if key not in expected]
        if differing:
            verdict.problems.append(
                Problem(
                    None,
                    f"{PRESCRIPTION}: {', '.join(differing)} not as the log has it; "
                    "verify --rebuild builds it from the log",
                )
            )
        else:
            verdict.holds.append(f"{PRESCRIPTION}: as the log has it")
    path = folder / TRANSCRIPT
    if path.is_file():
        if path.read_bytes() == transcript(log).encode("utf-8", "backslashreplace"):
            verdict.holds.append(f"{TRANSCRIPT}: as the log has it")
        else:
            verdict.problems.append(
                Problem(None, f"{TRANSCRIPT}: not as the log has it; verify --rebuild builds it from the log")
            )


def _check_replay(log: Log, verdict: Verdict) -> None:
    """Whether this version's exam, given the same answers, comes to the same prescription.

    Never a problem by itself: another version may rightly go another way.
    """
    drafts = [held for held in log.of_kind("prescription") if not held.get("signed") and "by_hand" not in held]
    if not drafts:
        return
    try:
        outcome = replay(log, corrected=False)
    except (UserError, EventError) as error:
        verdict.notes.append(f"replay: not possible, {error}")
        return
    if outcome.parted is not None:
        verdict.notes.append(
            f"replay: this version of the exam asks something else at event {outcome.parted['seq']} "
            f"(recorded by version {log.header.get('version', 'not named')})"
        )
    elif outcome.prescription is None or _differs(outcome.prescription, drafts[-1]):
        verdict.notes.append("replay: the answers lead this version of the exam to another prescription")
    else:
        verdict.holds.append("replay: the answers lead to the same questions and the same prescription")


def _differs(replayed: Prescribe, held: Event) -> bool:
    again = event(replayed)
    return any(_found(again[key]) != _found(held[key]) for key in again if key in held)


def _found(value: object) -> object:
    """Without the intervals, which the replay does not work out."""
    return {key: part for key, part in value.items() if key != "interval"} if isinstance(value, dict) else value

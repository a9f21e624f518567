"""The prescription as the log has it: the last `prescription` event, and who signed it.

A signature is itself a `prescription` event, `"status": "active"` with `signed`: {by, licence, at, covers}.
What comes after it and changes the record (an amended hearing, another prescription) makes it a draft again
until it is signed anew.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from ..optics.lens import Lens
from ..optics.transpose import signed as signed_power
from ..optics.transpose import written
from .events import Event
from .log import Log

DRAFT = "draft"
ACTIVE = "active"

# Keys of a prescription event that are the log's own business, not the prescription's.
LOG_KEYS = frozenset({"seq", "at", "kind", "prev", "hash", "header"})


def last_prescription(events: Sequence[Event]) -> Event | None:
    """The prescription that stands, signed or not; None where the exam has not come to one."""
    return next((held for held in reversed(events) if held["kind"] == "prescription"), None)


def amends_record(event: Event) -> bool:
    """Whether an event after a signature changes what was signed (dropping recordings does not)."""
    return event["kind"] in ("heard", "prescription")


def signature_in_force(events: Sequence[Event]) -> Event | None:
    """The signed prescription event that covers the record as it stands, or None."""
    for held in reversed(events):
        if held["kind"] == "prescription" and isinstance(held.get("signed"), dict):
            return held
        if amends_record(held):
            return None
    return None


def flags_in_force(log: Log) -> list[Event]:
    """The cautions of a log, without those found with a lens or a measure that was changed by hand since."""
    gone = overtaken(last_prescription(log.events))
    return [flag for flag in log.of_kind("flag") if flag["seq"] not in gone]


def overtaken(prescription: Event | None) -> frozenset[int]:
    """The seqs of the cautions that no longer hold of a prescription changed by hand."""
    by_hand = (prescription or {}).get("by_hand")
    held = by_hand.get("overtaken") if isinstance(by_hand, Mapping) else None
    return frozenset(seq for seq in held if isinstance(seq, int)) if isinstance(held, (list, tuple)) else frozenset()


def not_confirmed(prescription: Event) -> str | None:
    """That a draft was not confirmed at read-back, in words; None where it was, be it before a change by hand: who
    writes that answers for it."""
    by_hand = prescription.get("by_hand")
    before = isinstance(by_hand, Mapping) and by_hand.get("was_confirmed") is True
    return "not confirmed at read-back" if prescription.get("confirmed") is False and not before else None


def left_open(prescription: Event) -> list[str]:
    """What of a prescription was begun and not brought to its end, in words: an eye not completed, a read-back not
    confirmed. An eye left out, or carried over as it came, is no part of it."""
    found = []
    for eye in ("right", "left"):
        held = prescription.get(eye)
        if not isinstance(held, Mapping):
            continue
        begun = held.get("sphere") is not None and held.get("examined") is not False
        if begun and held.get("complete") is False:
            found.append(f"{eye} eye not completed")
    unconfirmed = not_confirmed(prescription)
    return found if unconfirmed is None else [*found, unconfirmed]


def dioptres_written(dioptres: float) -> str:
    """Signed dioptres to hundredths, halves away from zero: a spherical equivalent of -2.375 is written -2.38."""
    return f"{hundredths_of(dioptres):+}" if abs(dioptres) < 1e6 else f"{dioptres:+.2f}"


def hundredths_of(dioptres: float) -> Decimal:
    """Dioptres to hundredths, halves away from zero; never a negative zero."""
    return Decimal(repr(round(dioptres, 6))).quantize(Decimal("0.01"), ROUND_HALF_UP) + 0


def clinical(event: Event) -> dict[str, Any]:
    """A prescription event without the log's keys, status and signature: what is prescribed."""
    return {key: value for key, value in event.items() if key not in LOG_KEYS and key not in ("status", "signed")}


def lens_of(eye: Event) -> Lens | None:
    """The lens prescribed for an eye of a prescription event; None where it was not measured.

    Raises LensError where the powers make no lens.
    """
    if eye.get("sphere") is None:
        return None
    return Lens.of(eye["sphere"], eye.get("cylinder") or 0, eye.get("axis") or 180)


def eye_written(eye: Event) -> str:
    """One eye as the trade writes it: "-1.50 -0.50 x 090, add +2.00, 20/20"."""
    lens = lens_of(eye)
    if lens is None:
        return "not measured"
    parts = [written(lens)]
    if eye.get("add") is not None:
        parts.append(f"add {signed_power(round(eye['add'] * 100))}")
    if eye.get("acuity"):
        parts.append(eye["acuity"])
    if eye.get("complete") is False:
        parts.append("not completed")
    return ", ".join(parts)


def interval_written(eye: Event) -> str | None:
    """Where one eye's numbers lie: "95 %: sphere -1.60 to -1.21, cylinder -0.72 to -0.31, axis 084 to 098"; None where
    that is not known. An axis that any will do for is left out.
    """
    held = eye.get("interval")
    if not isinstance(held, Mapping):
        return None
    parts = []
    for name in ("sphere", "cylinder", "axis"):
        span = held.get(name)
        if not isinstance(span, (list, tuple)) or len(span) != 2:
            continue
        if not all(isinstance(end, (int, float)) and math.isfinite(end) for end in span):
            continue
        ends = [f"{(round(end) - 1) % 180 + 1:03d}" if name == "axis" else dioptres_written(end) for end in span]
        parts.append(f"{name} {ends[0]} to {ends[1]}")
    return f"95 %: {', '.join(parts)}" if parts else None


def prescription_json(log: Log) -> str | None:
    """prescription.json as text (indented JSON, dioptres), or None while the log has no prescription.

    `log` in it anchors the end of the log: number of events and last hash, so that a tail cut off is noticed.
    """
    made = prescription_dict(log)
    return None if made is None else json.dumps(made, indent=2, ensure_ascii=True, allow_nan=False) + "\n"


def prescription_dict(log: Log) -> dict[str, Any] | None:
    """What prescription.json holds."""
    held = last_prescription(log.events)
    if held is None:
        return None
    signed = signature_in_force(log.events)
    made: dict[str, Any] = {"status": ACTIVE if signed is not None else DRAFT}
    made |= clinical(held)
    if signed is not None:
        made["signed"] = signed["signed"]
    start = log.header.get("start")
    if isinstance(start, dict) and start.get("patient"):
        made["patient"] = start["patient"]
    made |= {
        "begun": log.events[0]["at"],
        "written": held["at"],
        "flags": [
            {"event": flag["seq"], "code": flag["code"], "eye": flag["eye"], "says": flag["says"]}
            for flag in flags_in_force(log)
        ],
        "log": {"events": len(log.events), "hash": log.last_hash},
    }
    return made

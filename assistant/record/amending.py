"""Corrections of a finished exam. The log keeps both: what was heard, and what it should have been.

A corrected hearing is one more `heard` event with `amends` (the seq it corrects), `reason` and
`amended_by`; a prescription changed by hand is one more `prescription` event with `by_hand`. Nothing that
stands is touched, and neither is a prescription changed by correcting a hearing: only a person does that.
Either makes a signed prescription a draft again.
"""

from __future__ import annotations

import re
from typing import Any

from ..errors import UserError
from ..optics.acuity import Acuity, AcuityError
from ..optics.lens import Lens, LensError, hundredths
from ..optics.transpose import PlusCylinderForm, to_minus
from ..protocol import plan
from ..protocol.meanings import Meaning
from .events import Event
from .log import Log
from .prescription import DRAFT, clinical, last_prescription

# What a value may be, by meaning (dioptres, degrees, millimetres, years); powers as far as the dials go.
_RANGES = {
    Meaning.SET_SPHERE: (-20.0, 20.0),
    Meaning.SET_CYLINDER: (-8.0, 0.0),
    Meaning.SET_ADD: (0.0, 5.0),
    Meaning.SET_AXIS: (1, 180),
    Meaning.SET_PD: (40.0, 80.0),
    Meaning.SET_NEAR_PD: (40.0, 80.0),
    Meaning.SET_VERTEX: (0.0, 20.0),
    Meaning.POWER_AT: (0.0, 20.0),
    Meaning.SET_AGE: (1, 120),
}
_ONE_OF = {
    Meaning.SWITCH_EYE: ("right", "left"),
    Meaning.RECHECK: ("right", "left"),
    Meaning.CYLINDER_BY: ("dial", "cross"),
    Meaning.RED_FLAG: tuple(plan.RED_FLAGS),
}
_WHOLE = frozenset({Meaning.SET_AXIS, Meaning.SET_AGE})
_QUARTERS = frozenset({Meaning.SET_SPHERE, Meaning.SET_CYLINDER, Meaning.SET_ADD})

_EYE = re.compile(
    r"\s*(?P<sphere>[+-]\d{1,2}(?:\.\d\d?)?|plano|0(?:\.00?)?)"
    r"(?:\s*(?P<cylinder>[+-]\d{1,2}(?:\.\d\d?)?)\s*x\s*(?P<axis>\d{1,3}))?"
    r"(?:[\s,]+add\s*(?P<add>\+\d(?:\.\d\d?)?))?"
    r"(?:[\s,]+(?P<acuity>20/\d+(?:[+-]\d)?))?\s*",
    re.IGNORECASE,
)


def meaning_of(name: str) -> Meaning:
    """The meaning called `name`; raises UserError naming those there are."""
    try:
        return Meaning(name)
    except ValueError:
        names = ", ".join(meaning.value for meaning in Meaning)
        raise UserError(f"--meaning: {name!r} is none of {names}") from None


def value_of(meaning: Meaning, text: str | None) -> int | float | str | None:
    """The value `text` gives to `meaning`, in natural units; raises UserError with what is allowed."""
    if meaning in _RANGES:
        low, high = _RANGES[meaning]
        allowed = f"{meaning} takes a value from {low:+g} to {high:+g}"
        if text is None:
            raise UserError(f"--value: {allowed}")
        try:
            number = float(text)
        except ValueError:
            raise UserError(f"--value: {text!r} is not a number; {allowed}") from None
        if not low <= number <= high:
            raise UserError(f"--value: {text} is outside; {allowed}")
        if meaning in _WHOLE:
            if number != int(number):
                raise UserError(f"--value: {text} is not whole; {allowed}")
            return int(number)
        if meaning in _QUARTERS and number * 4 != round(number * 4):
            raise UserError(f"--value: {text} is not a quarter step; {allowed}")
        return number
    if meaning is Meaning.SET_ACUITY:
        try:
            return str(Acuity.parse(text or ""))
        except AcuityError as error:
            raise UserError(f"--value: {error}") from None
    if meaning in _ONE_OF and (text is None or text in _ONE_OF[meaning]):
        return text
    if meaning in (Meaning.NOTE, Meaning.REASON):
        return text or ""
    if text is not None:
        raise UserError(f"--value: {meaning} takes {' or '.join(_ONE_OF.get(meaning, ('none',)))}")
    return None


def amended_hearing(
    log: Log, seq: int, meaning: Meaning, value: int | float | str | None, reason: str, by: str
) -> Event:
    """The event that corrects the hearing `seq`, to be appended. Raises UserError where that is no
    hearing.
    """
    if not 0 <= seq < len(log.events):
        raise UserError(f"--event: the log has events 0 to {len(log.events) - 1}, not {seq}")
    held = log.events[seq]
    if held["kind"] != "heard":
        raise UserError(f"--event: event {seq} is a {held['kind']}, not something heard")
    if "amends" in held:
        raise UserError(f"--event: event {seq} is itself a correction; correct event {held['amends']} again")
    return {
        "kind": "heard",
        "text": held["text"],
        "meaning": meaning.value,
        "by": held["by"],
        "accepted": True,
        "score": None,
        "after": held["after"],
        "value": value,
        "outcome": "heard",
        "hedged": bool(held.get("hedged", False)),
        "used": False,
        "amends": seq,
        "reason": reason,
        "amended_by": by,
    }


def eye_by_hand(text: str, eye: str, before: Event) -> Event:
    """One eye of a prescription as a person writes it: "-1.25 -0.50 x 090 add +2.00 20/20".

    Plus cylinder is transposed. What is left out: the add stays as it was; the acuity stays only where the
    lens is the same, for it was read through that lens. Raises UserError with the form to use.
    """
    found = _EYE.fullmatch(text)
    form = f'--{eye}: write it like "-1.25 -0.50 x 090 add +2.00 20/20" (add and acuity may be left out)'
    if found is None:
        raise UserError(f"{form}; got {text!r}")
    try:
        sphere = 0 if found["sphere"].lower() == "plano" else hundredths("sphere", float(found["sphere"]))
        cylinder = hundredths("cylinder", float(found["cylinder"] or 0))
        axis = int(found["axis"]) if found["axis"] else 180
        lens = to_minus(PlusCylinderForm(sphere, cylinder, axis)) if cylinder > 0 else Lens(sphere, cylinder, axis)
        acuity = str(Acuity.parse(found["acuity"])) if found["acuity"] else None
    except (LensError, AcuityError) as error:
        raise UserError(f"--{eye}: {error}") from None
    for name, power in (("sphere", lens.sphere), ("cylinder", lens.cylinder)):
        low, high = _RANGES[Meaning(f"set_{name}")]
        if not low * 100 <= power <= high * 100:
            raise UserError(f"--{eye}: {name} {power / 100:+.2f} is outside {low:+g} to {high:+g}")
        if abs(power) % 25 not in (0, 12, 13):  # an eighth is written 0.12 or 0.13
            raise UserError(f"--{eye}: {name} {power / 100:+.2f} is neither a quarter nor an eighth of a dioptre")
    made: Event = {
        "sphere": lens.sphere / 100,
        "cylinder": lens.cylinder / 100,
        "axis": lens.axis if lens.cylinder else None,
        "add": float(found["add"]) if found["add"] else before.get("add"),
    }
    same_lens = all(made[key] == before.get(key) for key in ("sphere", "cylinder", "axis"))
    made = {**before, **made}
    if not same_lens:
        made["complete"] = True
        made.pop("interval", None)
        made.pop("change", None)  # these were found with the lens before
        made.pop("over_minus", None)
    made["acuity"] = acuity or (before.get("acuity") if same_lens else None)
    return made


def prescription_by_hand(log: Log, eyes: dict[str, str], pd: float | None, reason: str, by: str) -> Event:
    """The prescription event that takes the place of the last one, to be appended.

    `eyes`: "right" and/or "left" with the text `eye_by_hand` reads; `pd` in millimetres, None to leave it.
    Raises UserError where the exam has no prescription yet.
    """
    before = last_prescription(log.events)
    if before is None:
        raise UserError("the exam has no prescription to change yet: go on with it by resume")
    if pd is not None and not 40 <= pd <= 80:
        raise UserError(f"--pd: {pd:g} is outside 40 to 80 millimetres")
    content: dict[str, Any] = clinical(before)
    for eye, text in eyes.items():
        content[eye] = eye_by_hand(text, eye, before[eye])
    if pd is not None:
        content["pd"] = pd
    changed = [key for key in ("right", "left", "pd") if content.get(key) != before.get(key)]
    if not changed:
        raise UserError("that is the prescription as it stands: nothing was changed")
    content["by_hand"] = {"changed": changed, "instead_of": before["seq"], "reason": reason, "by": by}
    return {"kind": "prescription", **content, "status": DRAFT}

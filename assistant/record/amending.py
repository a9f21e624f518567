"""Corrections of a finished exam. The log keeps both: what was heard, and what it should have been.

A corrected hearing is one more `heard` event with `amends` (the seq it corrects), `reason` and
`amended_by`; a prescription changed by hand is one more `prescription` event with `by_hand`. Nothing that
stands is touched, and neither is a prescription changed by correcting a hearing: only a person does that.
Either makes a signed prescription a draft again.

What was found with a lens does not stand for another: a change by hand takes back the read-back, what was read
through the lens before, and its cautions (`by_hand.overtaken`, their seqs); what the new prescription calls for is
raised anew.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from ..errors import UserError
from ..optics.acuity import Acuity, AcuityError
from ..optics.lens import Lens, LensError, hundredths
from ..optics.near import NearError, check_add
from ..optics.transpose import PlusCylinderForm, to_minus
from ..protocol import closing, plan
from ..protocol.consistency import Answer
from ..protocol.effects import Flag
from ..protocol.eye import EyeState
from ..protocol.meanings import Meaning
from ..protocol.progress import EyeProgress, Room, State, Together
from ..protocol.questions import Choice, Eye
from ..protocol.start import Start, StartError
from .events import Event
from .log import Log
from .prescription import DRAFT, clinical, last_prescription, lens_of, not_confirmed, overtaken
from .replay import corrections
from .starts import start_from_dict
from .summary import age_of

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
    stands = corrections(log.events).get(seq, held)
    if stands["accepted"] and (stands.get("meaning"), stands.get("value")) == (meaning.value, value):
        said = meaning.value if value is None else f"{meaning.value} {value}"
        raise UserError(f"--event: event {seq} stands as {said} already: nothing was changed")
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
        add = check_add(hundredths("add", float(found["add"]))) / 100 if found["add"] else before.get("add")
    except (LensError, AcuityError, NearError) as error:
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
        "add": add,
    }
    same_lens = _same_lens(made, before)
    made = {**before, **made}
    if made["add"] != before.get("add"):
        made["intermediate"] = None
    if not same_lens:
        made["complete"] = made["examined"] = True
        for key in ("interval", "change", "over_minus", "pinhole_acuity"):  # found with the lens before
            made.pop(key, None)
    made["acuity"] = acuity or (before.get("acuity") if same_lens else None)
    return made


def prescription_by_hand(
    log: Log, eyes: dict[str, str], pd: float | None, reason: str, by: str
) -> tuple[Event, tuple[Flag, ...]]:
    """The prescription event that takes the place of the last one, and the cautions it calls for, to be appended after
    it.

    `eyes`: "right" and/or "left" with the text `eye_by_hand` reads; `pd` in millimetres, None to leave it.
    Raises UserError where the exam has no prescription yet.
    """
    before = last_prescription(log.events)
    if before is None:
        raise UserError("the exam has no prescription to change yet: go on with it by resume")
    if pd is not None and not 40 <= pd <= 80:
        raise UserError(f"--pd: {pd:g} is outside 40 to 80 millimetres")
    content: dict[str, Any] = {**clinical(before), "confirmed": False}
    for eye, text in eyes.items():
        content[eye] = eye_by_hand(text, eye, before[eye])
    if pd is not None:
        content["pd"] = pd
    lenses = [eye for eye in eyes if not _same_lens(content[eye], before[eye])]
    adds = [eye for eye in eyes if content[eye].get("add") != before[eye].get("add")]
    if lenses:
        content["acuity_both"] = None
    if lenses or adds:
        content["near_acuity"] = None
    changed = [key for key in ("right", "left", "pd") if content.get(key) != before.get(key)]
    if not changed:
        raise UserError("that is the prescription as it stands: nothing was changed")
    start, state = _as_it_stands(log, content)
    if pd is not None and before.get("near_pd_computed"):
        content["near_pd"] = closing.near_pd(state, start.manner.working_distance)
    gone = _no_longer_holds(set(lenses), changed, bool(adds))
    raised = [flag for flag in closing.cautions(state, start) if gone(flag.code, flag.eye.value)]
    content["cautions"] = [
        *(code for code in before.get("cautions") or () if not gone(*_code_and_eye(code))),
        *(flag.code if flag.eye is Eye.BOTH else f"{flag.code}:{flag.eye}" for flag in raised),
    ]
    content["by_hand"] = {
        "changed": changed,
        "instead_of": before["seq"],
        "reason": reason,
        "by": by,
        "was_confirmed": not_confirmed(before) is None,
        "overtaken": sorted(
            overtaken(before) | {flag["seq"] for flag in log.of_kind("flag") if gone(flag["code"], flag["eye"])}
        ),
    }
    return {"kind": "prescription", **content, "status": DRAFT}, tuple(raised)


def _same_lens(one: Event, other: Event) -> bool:
    return all(one.get(key) == other.get(key) for key in ("sphere", "cylinder", "axis"))


def _code_and_eye(caution: str) -> tuple[str, str]:
    code, _, eye = caution.partition(":")
    return code, eye or "both"


def _no_longer_holds(lenses: set[str], changed: list[str], adds: bool) -> Callable[[str, str], bool]:
    """Whether a caution (code, eye) was found with what was changed: `lenses` of these eyes, what is `changed`, and
    whether an add is."""
    eyes = {"right", "left"} & set(changed)

    def gone(code: str, eye: str) -> bool:
        if code in ("anisometropia", "balance_disagrees"):
            return bool(lenses)
        if code == "acuity_differs":
            return bool(eyes)
        if code in ("add_unusual", "add_tentative", "add_at_limit"):
            return adds
        if code == "pd_unusual":
            return "pd" in changed
        return eye in lenses or (code == "acuity_low" and eye in eyes)

    return gone


def _as_it_stands(log: Log, content: Event) -> tuple[Start, State]:
    """The start, and the state of an exam that has come to this prescription: what its cautions are worked out from."""
    try:
        start = start_from_dict(dict(log.header.get("start") or {}))
    except StartError:
        start = Start()  # then there is nothing to compare with
    right, left = (_eye_as_it_stands(eye, content[eye.value]) for eye in closing.EYES)
    adds = [content[eye]["add"] for eye in ("right", "left") if content[eye].get("add") is not None]
    together = Together(add=round(max(adds) * 100) if adds else None)
    return start, State(right, left, room=Room(age=age_of(log, start.age), pd=content.get("pd")), together=together)


def _eye_as_it_stands(eye: Eye, held: Event) -> EyeProgress:
    lens = lens_of(held)
    if lens is None:
        return EyeProgress(EyeState(eye, Lens(0)))
    # An eye that was gone through was shown at least a pair.
    shown = (Answer(Choice(eye, "sphere", lens, lens), Meaning.SAME),) if held.get("complete", True) else ()
    examined = held.get("examined", True)
    state = EyeState(
        eye,
        lens,
        line=held.get("acuity"),
        line_lens=lens,
        given=not examined,
        pinhole=held.get("pinhole_acuity"),
    )
    return EyeProgress(state, begun=examined, finished=True, answers=shown)

"""Whether an event has what its kind calls for. A hash chain shows that a line is as it was written; this shows that
it can be read as an event of an exam. Further keys, and kinds of a later version, pass.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import datetime

from .events import Event, EventError, heard_from_event, prescription_from_event

Check = Callable[[object], bool]


def _text(value: object) -> bool:
    return isinstance(value, str)


def _truth(value: object) -> bool:
    return isinstance(value, bool)


def _object(value: object) -> bool:
    return isinstance(value, Mapping)


def _seq(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0


def _moment(value: object) -> bool:
    try:
        return isinstance(value, str) and datetime.fromisoformat(value.replace("Z", "+00:00")).tzinfo is not None
    except ValueError:
        return False


def _number(value: object) -> bool:
    return value is None or (isinstance(value, (int, float)) and not isinstance(value, bool))


def _value(value: object) -> bool:
    return _number(value) or isinstance(value, str)


_ALWAYS: Mapping[str, Check] = {"seq": _seq, "at": _moment, "kind": _text}
_CALLED_FOR: Mapping[str, Mapping[str, Check]] = {
    "prompt": {"to": _text, "say": _text},
    "question": {"eye": _text, "step": _text, "form": _text},
    "heard": {"text": _text, "accepted": _truth},
    "lens": {"eye": _text},
    "step": {"eye": _text, "step": _text, "status": _text},
    "flag": {"code": _text, "eye": _text, "says": _text},
    "prescription": {"right": _object, "left": _object, "status": _text},
}
# What need not be there; where it is, it is this.
_MAY_HOLD: Mapping[str, Check] = {
    "header": _object,
    "score": _number,
    "after": _number,
    "value": _value,
    "pd": _number,
    "near_pd": _number,
    "amends": _seq,
    "signed": _object,
    "by_hand": _object,
}
_SIGNED: Mapping[str, Check] = {"by": _text, "licence": _text, "at": _moment, "method": _text}


def fault_of(event: Event) -> str | None:
    """What is wrong with an event, naming the key; None where nothing is."""
    for key, fits in {**_ALWAYS, **_CALLED_FOR.get(str(event.get("kind")), {})}.items():
        if key not in event:
            return f"{key} is missing"
        if not fits(event[key]):
            return f"{key} cannot be {_shown(event[key])}"
    for key, fits in _MAY_HOLD.items():
        if event.get(key) is not None and not fits(event[key]):
            return f"{key} cannot be {_shown(event[key])}"
    for key, fits in _SIGNED.items() if event.get("signed") is not None else ():
        if not fits(event["signed"].get(key)):
            return f"the signature lacks what it must state ({key})"
    try:
        if event["kind"] == "heard":
            heard_from_event(event)
        elif event["kind"] == "prescription":
            prescription_from_event(event)
    except (EventError, OverflowError) as error:
        return str(error)[:200]
    return None


def faults(events: Iterable[Event]) -> list[tuple[int, str]]:
    """(line, what is wrong) of every event that is not one; lines count from 1."""
    found = ((line, fault_of(event)) for line, event in enumerate(events, start=1))
    return [(line, f"is no event of an exam: {fault}") for line, fault in found if fault is not None]


def _shown(value: object) -> str:
    text = ascii(value)
    return text if len(text) <= 40 else f"{text[:40]}..."

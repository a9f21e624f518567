"""The conversation as plain text, from the log alone."""

from __future__ import annotations

from collections.abc import Iterator

from .events import Event
from .log import Log, moment
from .prescription import eye_written, interval_written, left_open

_OUTCOMES = {
    "out_of_range": "not a value the dials have",
    "not_understood": "not understood",
    "doubtful": "doubtful, asked again",
    "silence": "nothing heard",
}


def transcript(log: Log) -> str:
    """Who said what, what was heard and what it meant, a line each, with minutes and seconds since the
    start.
    """
    if not log.events:
        return "No event was written.\n"
    begun = moment(log.events[0])
    lines = [
        f"Exam begun {log.events[0]['at']}, {len(log.events)} events, log ends in {log.last_hash[:12]}",
        "",
    ]
    for held in log.events:
        seconds = max(0, int((moment(held) - begun).total_seconds()))
        clock = f"{seconds // 60:3d}:{seconds % 60:02d}"
        lines += [f"{clock}  {said}" for said in _line(held)]
    return "\n".join(lines) + "\n"


def _line(held: Event) -> Iterator[str]:
    match held["kind"]:
        case "prompt":
            yield f"assistant (to {held['to']}): {_flat(held['say'])}"
        case "heard":
            yield f"{held.get('by') or 'heard'}: {_flat(held['text'])!r} {_understood(held)}"
        case "step":
            eye = "both eyes" if held["eye"] == "both" else f"{held['eye']} eye"
            yield f"--- {eye}, {held['step']}: {held['status']}"
        case "flag":
            yield f"!!! {_flat(held['says'])} [{held['code']}, {held['eye']}]"
        case "prescription":
            who = held.get("signed")
            by_hand = held.get("by_hand")
            if who:
                yield f"=== prescription signed by {_flat(who['by'])}, licence {_flat(who['licence'])}"
            elif by_hand:
                yield f"=== draft prescription, changed by hand{_by_and_why(by_hand.get('by'), by_hand.get('reason'))}"
            else:
                yield "=== draft prescription"
            for eye in ("right", "left"):
                yield f"    {eye}: {eye_written(held[eye])}"
                if (spans := interval_written(held[eye])) is not None:
                    yield f"    {' ' * len(eye)}  {spans}"
            yield from (f"    {fact}" for fact in _beside(held))
            if who and (lacking := left_open(held)):
                yield f"    not complete: {', '.join(lacking)}"


def _beside(held: Event) -> Iterator[str]:
    """What stands beside the two eyes."""
    if held.get("pd") is not None:
        yield f"PD {held['pd']:g} mm"
    if held.get("near_pd") is not None:
        yield f"near PD {held['near_pd']:g} mm{' (reckoned)' if held.get('near_pd_computed') else ''}"
    if held.get("vertex") is not None:
        yield f"vertex distance {held['vertex']:g} mm"
    if held.get("acuity_both"):
        yield f"acuity, both eyes {held['acuity_both']}"
    if held.get("near_acuity"):
        yield f"near acuity, both eyes {held['near_acuity']}"


def _by_and_why(by: object, reason: object) -> str:
    return (f" by {_flat(str(by))}" if by else "") + (f": {_flat(str(reason))}" if reason else "")


def _understood(held: Event) -> str:
    amended = ""
    if "amends" in held:
        amended = f", correcting event {held['amends']}{_by_and_why(held.get('amended_by'), held.get('reason'))}"
    if not held["accepted"]:
        return f"({_OUTCOMES.get(held.get('outcome', ''), 'not accepted')}{amended})"
    value = "" if held.get("value") is None else f" {_flat(str(held['value']))}"
    return f"= {held['meaning']}{value}{' (hesitant)' if held.get('hedged') else ''}{amended}"


def _flat(text: str) -> str:
    """Words on one line: a note may hold line ends, which must not look like further lines of the
    conversation.
    """
    return " ".join(text.split())

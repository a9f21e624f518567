"""The conversation as plain text, from the log alone."""

from __future__ import annotations

from collections.abc import Iterator

from .events import Event
from .log import Log, moment
from .prescription import eye_written, interval_written

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
            yield f"=== {'signed by ' + _flat(who['by']) if who else 'draft'} prescription"
            for eye in ("right", "left"):
                yield f"    {eye}: {eye_written(held[eye])}"
                if (spans := interval_written(held[eye])) is not None:
                    yield f"    {' ' * len(eye)}  {spans}"
            if held.get("pd") is not None:
                yield f"    PD {held['pd']:g} mm"


def _understood(held: Event) -> str:
    amended = f", correcting event {held['amends']}" if "amends" in held else ""
    if not held["accepted"]:
        return f"({_OUTCOMES.get(held.get('outcome', ''), 'not accepted')}{amended})"
    value = "" if held.get("value") is None else f" {_flat(str(held['value']))}"
    return f"= {held['meaning']}{value}{' (hesitant)' if held.get('hedged') else ''}{amended}"


def _flat(text: str) -> str:
    """Words on one line: a note may hold line ends, which must not look like further lines of the
    conversation.
    """
    return " ".join(text.split())

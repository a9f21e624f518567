"""The exam as a person at a terminal reads it: who said what, what was understood, what the dials show."""

from __future__ import annotations

from typing import IO, Any

from .record.events import Event
from .record.prescription import interval_written

_WIDTH = 10


class Conversation:
    """Prints each event as one line of conversation, or nothing where there is nothing to see."""

    def __init__(self, out: IO[str]) -> None:
        self._out = out

    def __call__(self, event: Event) -> None:
        for who, text in _lines(event):
            self._out.write(f"{who:>{_WIDTH}}  {printable(text)}\n")
        self._out.flush()


def printable(text: str) -> str:
    """Text for a terminal: what would be an order to it (escape sequences and the like) is written out."""
    if text.isprintable():
        return text
    return "".join(mark if mark.isprintable() else mark.encode("unicode_escape").decode() for mark in text)


def _lines(event: Event) -> list[tuple[str, str]]:
    kind = event["kind"]
    if kind == "prompt":
        return [("assistant" if event["to"] == "examiner" else "to patient", event["say"])]
    if kind == "heard":
        return [_heard(event)]
    if kind == "lens":
        return [("dials", f"{event['eye']}  {lens_text(event)}")]
    if kind == "flag":
        return [("CAUTION", event["says"])]
    if kind == "step" and event["status"] == "begun" and event["eye"] != "both":
        return [("", f"-- {event['eye']} eye: {event['step'].replace('_', ' ')} --")]
    if kind == "prescription":
        return prescription_lines(event)
    return []


def _heard(event: Event) -> tuple[str, str]:
    who = event["by"] or "heard"
    if event["outcome"] == "silence":
        return who, "(silence)"
    meaning = event["meaning"] or "not understood"
    if event["value"] is not None and event["meaning"] != "note":
        meaning += f" {event['value']}"
    if not event["accepted"]:
        meaning += f", {event['outcome'].replace('_', ' ')}" if event["meaning"] else ""
    elif event["hedged"]:
        meaning += ", hesitating"
    return who, f"“{event['text']}”  [{meaning}]"


def lens_text(held: dict[str, Any]) -> str:
    """A lens as it is written: signed powers, three-digit axis (NFOS OPT11 9a)."""
    text = f"{held['sphere']:+.2f}"
    if held.get("cylinder"):
        text += f" {held['cylinder']:+.2f} x {held['axis']:03d}"
    return text


def prescription_lines(event: Event) -> list[tuple[str, str]]:
    """The draft, one line an eye."""
    lines = [("", f"-- prescription: {event['status'].upper()}, not valid until signed --")]
    for eye in ("right", "left"):
        held = event[eye]
        if held["sphere"] is None:
            lines.append((eye, "not examined"))
            continue
        text = lens_text(held)
        if held.get("add"):
            text += f"  add {held['add']:+.2f}"
        if held.get("acuity"):
            text += f"  vision {held['acuity']}"
        if not held.get("complete", True):
            text += "  (not complete)"
        lines.append((eye, text))
        if (spans := interval_written(held)) is not None:
            lines.append(("", spans))
    if event["pd"] is not None:
        lines.append(("PD", f"{event['pd']:g} mm"))
    return lines

"""The exam as a person at a terminal reads it: who said what, what was understood, what the dials show."""

from __future__ import annotations

import os
import shutil
import textwrap
from typing import IO, Any

from .record.events import Event
from .record.prescription import interval_written

_WIDTH = 10
_NARROWEST = 16  # characters of text a line, however narrow the terminal
_BOLD, _PLAIN = "\x1b[1m", "\x1b[0m"  # ECMA-48, SGR
_STANDING = frozenset({"ask", "paused"})  # keys of prompts that wait for someone


class Conversation:
    """Prints each event as one line of conversation, or nothing where there is nothing to see.

    On a terminal the lines are broken between words, and the question that stands and cautions are set off.
    """

    def __init__(self, out: IO[str]) -> None:
        self._out = out
        self._terminal = out.isatty()

    def __call__(self, event: Event) -> None:
        asked = event["kind"] == "prompt" and event.get("key") in _STANDING
        if asked and self._terminal and event["to"] == "examiner":
            self._out.write("\n")
        for who, text in _lines(event):
            self.line(who, text, bold=asked or event["kind"] == "flag")
        self._out.flush()

    def line(self, who: str, text: str, bold: bool = False) -> None:
        """One line, or as many as the terminal's width calls for now. `bold` shows on a terminal that can."""
        line = f"{who:>{_WIDTH}}  {printable(text)}"
        if self._terminal:
            line = _laid(line, shutil.get_terminal_size().columns)
            if bold and _can_embolden():
                line = "\n".join(f"{_BOLD}{part}{_PLAIN}" for part in line.split("\n"))
        self._out.write(line + "\n")


def _laid(line: str, columns: int) -> str:
    """Broken between words, each further line under the text of the first."""
    # The last column stays free: in some terminals a full line is followed by an empty one.
    width = max(columns - 1, _WIDTH + 2 + _NARROWEST)
    return textwrap.fill(line, width, subsequent_indent=" " * (_WIDTH + 2), break_on_hyphens=False)


def _can_embolden() -> bool:
    """Whether the terminal takes the order for bold: older Windows consoles print it, and NO_COLOR asks for none."""
    if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb":
        return False
    return os.name != "nt" or "WT_SESSION" in os.environ


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

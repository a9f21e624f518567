"""The settings of a room: its refractor head, and how its exams are run. One small file, in INI form.

    [instrument]
    cylinders = plus
    [exam]
    balance = yes

Every key may be left out. An exam takes them first, then what its start file says, then the command line; what it
ran with stands in its log.
"""

from __future__ import annotations

import configparser
import os
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from .errors import UserError
from .protocol.start import StartError
from .record.starts import start_from_dict

PLACE = "HANDSFREE_REFRACTION_SETTINGS"  # environment variable: the file to use instead of the usual one

TEMPLATE = """\
# Settings of handsfree-refraction. Lines that begin with # are left aside: take the # away and change the value.

[instrument]
# The sign of the refractor head's cylinders: minus or plus. Prompts and dial commands follow it; records stay minus.
#cylinders = minus
# Where its dials end, in dioptres.
#sphere_low = -20.00
#sphere_high = 20.00
#cylinder_most = 8.00
# Vertex distance in millimetres.
#vertex = 12

[exam]
# The near add: auto (from 40 years), on, off.
#near = auto
# Working distance in centimetres.
#working_distance = 40
# Balance of both eyes by alternate occlusion; red-green check at the end of each eye; all questions of setting up.
#balance = no
#duochrome = no
#intake = no
# The cylinder's power by dial steps or by cross cylinder: dial or cross.
#power_by = dial
# By the book, or led by evidence - each step shows the pair that tells most, and fewer are needed: book or evidence.
#pace = book

[listening]
# As the options of exam: a microphone's name or a part of it, a recogniser, its model's folder.
#microphone =
#engine =
#model =
"""

_NUMBERS = {"sphere_low", "sphere_high", "cylinder_most", "vertex"}
_WHOLE = {"working_distance"}
_SWITCHES = {"balance", "duochrome", "intake"}
_KEYS = {
    "instrument": ("cylinders", "sphere_low", "sphere_high", "cylinder_most", "vertex"),
    "exam": ("near", "working_distance", "balance", "duochrome", "intake", "power_by", "pace"),
    "listening": ("microphone", "engine", "model"),
}


@dataclass(frozen=True)
class Settings:
    """What a settings file says.

    start      as a start dict holds it: `manner`, `vertex`
    listening  microphone, engine, model: names as the command line takes them
    path       the file, or None where there is none
    """

    start: Mapping[str, Any] = field(default_factory=dict)
    listening: Mapping[str, str] = field(default_factory=dict)
    path: Path | None = None


def usual_path() -> Path:
    """Where the settings are looked for: $HANDSFREE_REFRACTION_SETTINGS, or the user's configuration folder."""
    named = os.environ.get(PLACE)
    if named:
        return Path(named)
    if sys.platform == "win32":
        base = os.environ.get("APPDATA")
    else:
        base = os.environ.get("XDG_CONFIG_HOME")
    return (Path(base) if base else Path.home() / ".config") / "handsfree-refraction" / "settings.ini"


def read_settings(path: Path | None = None) -> Settings:
    """The settings of a file, or of the usual one where there is one.

    Raises UserError, one line naming file, section and key, for a file that cannot be used; none of it is
    taken then.
    """
    where = path or usual_path()
    try:
        text = where.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        if path is None:
            return Settings()
        raise UserError(f"{where} does not exist: write one with `settings init --out {where}`") from None
    except UnicodeDecodeError:
        raise UserError(f"{where} is not text in UTF-8") from None
    except OSError as error:
        raise UserError(f"{where} cannot be read: {error.strerror}") from None
    return parse(text, where)


def parse(text: str, where: Path) -> Settings:
    """Settings from the text of a file; raises UserError as `read_settings`."""
    parser = configparser.ConfigParser(interpolation=None, default_section="")
    try:
        parser.read_string(text, source=str(where))
    except configparser.Error as error:
        raise UserError(f"{where}: {' '.join(str(error.message).split())}") from None
    held: dict[str, dict[str, Any]] = {section: {} for section in _KEYS}
    for section in parser.sections():
        if section not in _KEYS:
            raise UserError(f"{where}: [{section}] is none of {', '.join(f'[{name}]' for name in _KEYS)}")
        for key, value in parser.items(section):
            if key not in _KEYS[section]:
                raise UserError(f"{where}: [{section}] {key}: no such key; there are {', '.join(_KEYS[section])}")
            if value:
                held[section][key] = _value(where, section, key, value)
    vertex = held["instrument"].pop("vertex", None)
    manner = dict(held["exam"])
    if held["instrument"]:
        manner["instrument"] = held["instrument"]
    start: dict[str, Any] = {}
    if manner:
        start["manner"] = manner
    if vertex is not None:
        start["vertex"] = vertex
    try:
        start_from_dict(start)
    except StartError as error:
        raise UserError(f"{where}: {error}") from None
    return Settings(start, held["listening"], where)


def _value(where: Path, section: str, key: str, text: str) -> Any:
    try:
        if key in _WHOLE:
            return int(text)
        if key in _NUMBERS:
            return float(text)
        if key in _SWITCHES:
            return configparser.ConfigParser.BOOLEAN_STATES[text.lower()]
    except KeyError:
        raise UserError(f"{where}: [{section}] {key}: {text!r} is neither yes nor no") from None
    except ValueError:
        raise UserError(f"{where}: [{section}] {key}: {text!r} is not a number") from None
    return text


def merged(*starts: Mapping[str, Any]) -> dict[str, Any]:
    """Start dicts laid over one another, the later ones above; `manner` and its instrument key by key."""
    made: dict[str, Any] = {}
    for start in starts:
        for key, value in start.items():
            deeper = key in ("manner", "instrument") and isinstance(value, Mapping)
            made[key] = merged(made.get(key, {}), value) if deeper else value
    return made

"""Effects of the exam as the events of the log, and back again for replay.

An event is a plain dict with the keys of the command-line contract (`kind` first); `seq` and `at` are added
by the log writer. Powers stand in dioptres, axes in degrees, distances in millimetres: what a reader of the
log expects, where the exam itself counts in hundredths of a dioptre. Wording comes in from outside, because
the record knows nothing of grammar.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields
from enum import Enum
from typing import Any, NamedTuple

from ..optics.lens import CrossCylinder, Lens, LensError
from ..protocol.effects import (
    Ask,
    Effect,
    EyeResult,
    Flag,
    Prescribe,
    Recorded,
    Say,
    ShowLens,
    StepChange,
)
from ..protocol.meanings import Heard, Meaning, Outcome, Speaker
from ..protocol.questions import Choice, Confirm, Legible, Value

Event = dict[str, Any]

KINDS = ("prompt", "question", "heard", "lens", "step", "flag", "prescription")

# Meanings whose value is a power: hundredths of a dioptre in the exam, dioptres in the log.
_POWERS = frozenset({Meaning.SET_SPHERE, Meaning.SET_CYLINDER, Meaning.SET_ADD})
# Fields of a prescription that are powers, likewise.
_POWER_FIELDS = frozenset({"sphere", "cylinder", "add", "intermediate"})


class EventError(ValueError):
    """A log event that is not what its kind calls for; the message names the key."""


class Words(NamedTuple):
    """Wording made elsewhere: `text` for a prompt's `say` and a flag's `says`; `expects` are a question's
    example answers."""

    text: str = ""
    expects: tuple[str, ...] = ()


class Recording(NamedTuple):
    """The stored sound of one utterance: path within the exam folder (with /) and SHA-256 of the file
    (hex).
    """

    path: str
    sha256: str


def event(effect: Effect, words: Words | None = None, recording: Recording | None = None) -> Event:
    """The log event of one effect. `words` for Say, Ask and Flag; `recording` for Recorded."""
    text, expects = words or Words()
    match effect:
        case Say():
            return {"kind": "prompt", "to": effect.to.value, "say": text, "key": effect.key}
        case Ask():
            return _question(effect, expects)
        case Recorded():
            return _heard(effect, recording)
        case ShowLens():
            return {"kind": "lens", "eye": effect.eye.value, **lens_to_dict(effect.lens)}
        case StepChange():
            return {
                "kind": "step",
                "eye": effect.eye.value,
                "step": effect.step,
                "status": effect.status.value,
            }
        case Flag():
            return {
                "kind": "flag",
                "code": effect.code,
                "eye": effect.eye.value,
                "says": text,
                "facts": plain(effect.facts),
            }
        case Prescribe():
            return _prescription(effect)
    raise EventError(f"kind: {type(effect).__name__} is no effect the log knows")


def _question(ask: Ask, expects: tuple[str, ...]) -> Event:
    question = ask.question
    made: Event = {
        "kind": "question",
        "eye": question.eye.value,
        "step": question.step,
        "form": question.form,
        "expects": list(expects),
    }
    match question:
        case Choice():
            made["choices"] = [lens_to_dict(question.first), lens_to_dict(question.second)]
        case Legible():
            made |= {"lens": lens_to_dict(question.lens), "line": question.line}
        case Value():
            made["of"] = question.of
        case Confirm():
            made["what"] = question.what
        case _:
            made["lens"] = lens_to_dict(question.lens)
    return made | {"number": ask.number, "attempt": ask.attempt}


def _heard(recorded: Recorded, recording: Recording | None) -> Event:
    heard = recorded.heard
    made: Event = {
        "kind": "heard",
        "text": heard.text,
        "meaning": None if heard.meaning is None else heard.meaning.value,
        "by": None if heard.by is None else heard.by.value,
        "accepted": heard.accepted,
        "score": plain(heard.score),
        "after": plain(heard.after),
        "value": value_to_natural(heard.meaning, heard.value),
        "outcome": heard.outcome.value,
        "hedged": heard.hedged,
        "typed": heard.typed,
        "used": recorded.used,
    }
    if recording is not None:
        made |= {"audio": recording.path, "audio_sha256": recording.sha256}
    return made


def _prescription(effect: Prescribe) -> Event:
    made: Event = {
        "kind": "prescription",
        "right": _eye_result(effect.right),
        "left": _eye_result(effect.left),
        "pd": plain(effect.pd),
        "status": "draft",
    }
    for field in fields(effect):
        if field.name not in made:
            made[field.name] = plain(getattr(effect, field.name))
    return made


def _eye_result(result: EyeResult) -> Event:
    made: Event = {}
    for field in fields(result):
        value = getattr(result, field.name)
        made[field.name] = value / 100 if field.name in _POWER_FIELDS and value is not None else plain(value)
    return made


def lens_to_dict(lens: Lens) -> Event:
    """A lens as the contract writes it: dioptres, minus cylinder, axis 1-180, cross cylinder or None."""
    cross = lens.cross
    return {
        "sphere": lens.sphere / 100,
        "cylinder": lens.cylinder / 100,
        "axis": lens.axis,
        "cross_cylinder": None if cross is None else {"power": cross.power / 100, "minus_axis": cross.minus_axis},
    }


def lens_from_dict(written: Mapping[str, Any]) -> Lens:
    """The lens of a contract dict; raises EventError naming the key that is missing or breaks a rule."""
    try:
        cross = written.get("cross_cylinder")
        return Lens.of(
            written["sphere"],
            written["cylinder"],
            written["axis"],
            None if cross is None else CrossCylinder(round(cross["power"] * 100), cross["minus_axis"]),
        )
    except KeyError as missing:
        raise EventError(f"lens: {missing.args[0]} is missing") from None
    except (LensError, TypeError, AttributeError) as error:
        raise EventError(f"lens: {error}") from None


def value_to_natural(meaning: Meaning | None, value: int | float | str | None) -> int | float | str | None:
    """A heard value in the units people say: dioptres for powers, all else (degrees, mm, years, words) as
    it is.
    """
    if meaning in _POWERS and value is not None and not isinstance(value, str):
        return value / 100
    natural: int | float | str | None = plain(value)
    return natural


def value_from_natural(meaning: Meaning | None, value: int | float | str | None) -> int | float | str | None:
    """The inverse of `value_to_natural`: powers in hundredths of a dioptre, whole ones as int."""
    if meaning in _POWERS and value is not None and not isinstance(value, str):
        hundredths = value * 100
        whole = round(hundredths)
        return whole if abs(hundredths - whole) < 1e-6 else hundredths
    return value


def heard_from_event(written: Mapping[str, Any]) -> Heard:
    """The utterance a `heard` event tells of, as the exam received it.

    An event with the contract's keys alone (no `outcome`, `value`, `hedged`) is read too: `accepted` decides.
    Raises EventError naming the key.
    """
    if written.get("kind") != "heard":
        raise EventError(f"kind: {written.get('kind')!r} is not heard")
    meaning = None if written.get("meaning") is None else _member(Meaning, "meaning", written["meaning"])
    if "outcome" in written:
        outcome = _member(Outcome, "outcome", written["outcome"])
    elif written.get("accepted"):
        outcome = Outcome.HEARD
    else:
        outcome = Outcome.NOT_UNDERSTOOD if meaning is None else Outcome.DOUBTFUL
    if "text" not in written:
        raise EventError("text: is missing")
    try:
        return Heard(
            text=written["text"],
            outcome=outcome,
            meaning=meaning,
            value=value_from_natural(meaning, written.get("value")),
            by=None if written.get("by") is None else _member(Speaker, "by", written["by"]),
            score=written.get("score"),
            after=written.get("after"),
            hedged=bool(written.get("hedged", False)),
            typed=bool(written.get("typed", False)),
        )
    except ValueError as error:
        raise EventError(str(error)) from None


def prescription_from_event(written: Mapping[str, Any]) -> Prescribe:
    """The prescription a `prescription` event tells of, in the exam's units; raises EventError naming the
    key.
    """
    if written.get("kind") != "prescription":
        raise EventError(f"kind: {written.get('kind')!r} is not prescription")
    known = {field.name for field in fields(Prescribe)} - {"right", "left"}
    other: dict[str, Any] = {
        name: tuple(value) if isinstance(value, list) else value for name, value in written.items() if name in known
    }
    try:
        return Prescribe(right=_eye_result_from(written["right"]), left=_eye_result_from(written["left"]), **other)
    except KeyError as missing:
        raise EventError(f"prescription: {missing.args[0]} is missing") from None
    except (TypeError, AttributeError) as error:
        raise EventError(f"prescription: {error}") from None


def _eye_result_from(written: Mapping[str, Any]) -> EyeResult:
    made = {}
    for field in fields(EyeResult):
        if field.name in written:
            value = written[field.name]
            made[field.name] = round(value * 100) if field.name in _POWER_FIELDS and value is not None else value
    return EyeResult(**made)


def _member(kind: type[Enum], key: str, value: object) -> Any:
    try:
        return kind(value)
    except ValueError:
        raise EventError(f"{key}: {value!r} is none of {', '.join(m.value for m in kind)}") from None


def plain(value: object) -> Any:
    """`value` as JSON can hold it: lenses as dicts, enums as their names, numbers that are not finite as
    None.

    A number library's own scalars come out as Python's. Anything else is written as its text: a fact is never
    dropped for want of a form.
    """
    if value is None or (isinstance(value, (bool, str)) and not isinstance(value, Enum)):
        return value
    if isinstance(value, Enum):
        return plain(value.value)
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Lens):
        return lens_to_dict(value)
    if isinstance(value, Mapping):
        return {str(plain(key)): plain(held) for key, held in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(held) for held in value]
    if isinstance(value, (set, frozenset)):
        return sorted((plain(held) for held in value), key=repr)
    item = getattr(value, "item", None)  # a scalar of an array library
    if callable(item):
        return plain(item())
    return str(value)

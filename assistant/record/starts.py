"""Starting points: from our own JSON, or from a prescription in FHIR or DICOM; each becomes the same plain
dict.

    {"patient": "K-07", "age": 52, "pd": 62, "near_pd": 59, "vertex": 12, "source": "glasses",
     "right": {"sphere": -1.25, "cylinder": -0.5, "axis": 90, "acuity": "20/60", "unaided": "20/200"},
     "left": {"sphere": 0.25, "glasses": {"sphere": 0.5}},
     "manner": {"road": "refine", "balance": true, "instrument": {"cylinders": "plus"}}}

Dioptres, degrees, millimetres, years; every key may be left out. The keys are the fields of the exam's
`Start`, `StartEye`, `Manner` and `Instrument`; powers of an instrument's dial ends in dioptres too. For
retinoscopy, `retinoscopy_distance` (centimetres) is taken off the spheres once, on reading. The dict goes
into the log's header, and `start_from_dict` makes the exam's `Start` of it, for the exam and again for its
replay.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from decimal import ROUND_HALF_UP, Decimal
from enum import Enum
from pathlib import Path
from typing import Any

from ..errors import UserError
from ..optics.acuity import Acuity, AcuityError
from ..optics.lens import Lens, LensError, hundredths
from ..optics.power_vector import PowerVector
from ..optics.rounding import nearest_lens
from ..optics.transpose import PlusCylinderForm, to_minus, written
from ..protocol.instrument import InstrumentError
from ..protocol.questions import Eye
from ..protocol.start import Manner, Start, StartError, StartEye
from .dicom_read import DicomError, is_dicom, read_measurement
from .events import plain
from .fhir_read import FhirError, SpectacleLens, Spectacles, read_vision_prescription

_NUMBERS = ("age", "pd", "near_pd", "vertex", "amplitude")
_WORDS = ("source", "reason")
_KEYS = (
    "patient", *_NUMBERS, *_WORDS, "red_flags", "dominant", "manner", "right", "left", "eyes", "retinoscopy_distance",
)  # fmt: skip
_LENS_KEYS = ("sphere", "cylinder", "axis")
_EYE_KEYS = (*_LENS_KEYS, "acuity", "unaided", "glasses")
_CLICK = Decimal("0.25")  # dioptres
_DIAL_ENDS = frozenset({"sphere_low", "sphere_high", "cylinder_most"})  # D/100 in the exam


def read_start(path: Path) -> tuple[dict[str, Any], list[str]]:
    """The start dict of a file, and notes for the examiner (what was rounded, transposed or left aside).

    Reads our own JSON, a FHIR R4 or R5 VisionPrescription or a Bundle that holds one, and DICOM lensometry,
    autorefraction or subjective refraction. Raises UserError, one line naming the file, the field and the
    rule; nothing is imported by halves.
    """
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        raise UserError(f"{path} does not exist: give the file of a starting point") from None
    except OSError as error:
        raise UserError(f"{path} cannot be read: {error.strerror}") from None
    try:
        start, notes = _from_dicom(content) if is_dicom(content) else _from_json(content)
        start_from_dict(start)
    except (FhirError, DicomError, StartError) as error:
        raise UserError(f"{path}: {error}") from None
    return start, notes


def _from_json(content: bytes) -> tuple[dict[str, Any], list[str]]:
    try:
        held = json.loads(content.decode("utf-8-sig"), parse_float=Decimal, parse_constant=_no_constant)
    except UnicodeDecodeError:
        raise StartError("is not text; a starting point is a JSON or DICOM file") from None
    except RecursionError:
        raise StartError("is not JSON: nested too deep") from None
    except ValueError as error:
        raise StartError(f"is not JSON: {error}") from None
    if not isinstance(held, dict):
        raise StartError('a starting point is a JSON object, such as {"right": {"sphere": -1.25}}')
    if "resourceType" in held:
        return start_from_spectacles(read_vision_prescription(held))
    return _own(held)


def _from_dicom(content: bytes) -> tuple[dict[str, Any], list[str]]:
    measured = read_measurement(content)
    start, notes = start_from_spectacles(measured.spectacles)
    start["source"] = measured.source
    for key, value in (("pd", measured.pd), ("near_pd", measured.near_pd)):
        if value is not None:
            start[key] = value
    return start, notes


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} is not a number JSON has")


def _own(held: Mapping[str, Any]) -> tuple[dict[str, Any], list[str]]:
    _known(held, _KEYS, "")
    eyes = held.get("eyes", {})
    if not isinstance(eyes, Mapping):
        raise StartError('eyes: {"right": ..., "left": ...} is meant')
    _known(eyes, ("right", "left"), "eyes: ")
    made: dict[str, Any] = {
        key: _plain(value)
        for key, value in held.items()
        if value is not None and key not in ("right", "left", "eyes", "retinoscopy_distance")
    }
    for name in ("right", "left"):
        if name in held and name in eyes:
            raise StartError(f"{name}: is given twice")
        eye = held.get(name, eyes.get(name))
        if eye is not None:
            made[name] = _plain(eye)
    start_from_dict(made)  # nothing is taken off what is not sound
    return _working_distance_off(made, held.get("retinoscopy_distance"))


def _working_distance_off(start: dict[str, Any], distance: Any) -> tuple[dict[str, Any], list[str]]:
    """Retinoscopy finds the power for its working distance; for far away 1/distance is taken off the
    sphere.
    """
    if distance is None:
        return start, []
    if start.get("source") != "retinoscopy":
        raise StartError('retinoscopy_distance: goes with "source": "retinoscopy"')
    if isinstance(distance, bool) or not isinstance(distance, (int, Decimal)) or not 30 <= distance <= 150:
        raise StartError(f"retinoscopy_distance: {distance} is outside 30 to 150 centimetres")
    dioptres = Decimal(100) / Decimal(distance)
    notes = []
    for name in ("right", "left"):
        eye = start.get(name)
        if eye is None or eye.get("sphere") is None:
            continue
        sphere = _click(Decimal(str(eye["sphere"])) - dioptres) / 100
        notes.append(f"{name} eye: {dioptres:.2f} D taken off for {distance} cm, sphere {sphere:+.2f}")
        start[name] = {**eye, "sphere": sphere}
    return start, notes


def _known(held: Mapping[str, Any], keys: Iterable[str], where: str) -> None:
    for key in held:
        if key not in keys:
            near = difflib.get_close_matches(str(key), keys, 1)
            hint = f"; did you mean {near[0]}?" if near else f"; there are {', '.join(keys)}"
            raise StartError(f"{where}{key}: no such key{hint}")


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(held) for key, held in value.items()}
    if isinstance(value, list):
        return [_plain(held) for held in value]
    return float(value) if isinstance(value, Decimal) else value


def start_from_dict(start: Mapping[str, Any]) -> Start:
    """The exam's starting point of a start dict; raises StartError naming eye, field and rule."""
    _known(start, _KEYS, "")
    patient = start.get("patient")
    if patient is not None and (isinstance(patient, bool) or not isinstance(patient, (str, int))):
        raise StartError(f"patient: a code is meant, not {patient!r}")
    given: dict[str, Any] = {}
    for key in _NUMBERS:
        value = start.get(key)
        if value is not None and (isinstance(value, bool) or not isinstance(value, (int, float))):
            raise StartError(f"{key}: {value!r} is not a number")
        given[key] = value
    for key in _WORDS:
        value = start.get(key)
        if value is not None and not isinstance(value, str):
            raise StartError(f"{key}: {value!r} is not text")
        given[key] = value
    if given["age"] is not None:
        if given["age"] != int(given["age"]):
            raise StartError(f"age: {given['age']} is not whole years")
        given["age"] = int(given["age"])
    flags = start.get("red_flags") or []
    if not isinstance(flags, list) or not all(isinstance(flag, str) for flag in flags):
        raise StartError("red_flags: a list of codes is meant")
    dominant, manner = start.get("dominant"), start.get("manner")
    return Start(
        right=_start_eye("right", start.get("right")),
        left=_start_eye("left", start.get("left")),
        patient=None if patient is None else str(patient),
        red_flags=tuple(flags),
        dominant=None if dominant is None else _as("dominant", Eye.RIGHT, dominant),
        manner=Manner() if manner is None else _as("manner", Manner(), manner),
        **given,
    )


def _as(where: str, like: Any, value: Any) -> Any:
    """`value` as JSON gave it, as what `like` is: an enum's member, a tuple, a dataclass, a number, a
    word.
    """
    if is_dataclass(like) and not isinstance(like, type):
        if not isinstance(value, Mapping):
            raise StartError(f"{where}: an object is meant, not {value!r}")
        names = [field.name for field in fields(like)]
        _known(value, names, f"{where}: ")
        try:
            return type(like)(
                **{
                    name: _dial_end(name, held) if name in _DIAL_ENDS else _as(name, getattr(like, name), held)
                    for name, held in value.items()
                }
            )
        except InstrumentError as error:
            raise StartError(f"{where}: {error}") from None
    if isinstance(like, Enum):
        try:
            return type(like)(value)
        except ValueError:
            names = [str(member.value) for member in type(like)]
            raise StartError(f"{where}: {value!r} is none of {', '.join(names)}") from None
    if isinstance(like, tuple):
        if not isinstance(value, list):
            raise StartError(f"{where}: a list is meant, not {value!r}")
        return tuple(_as(where, like[0], held) for held in value)
    if isinstance(like, bool) or not isinstance(like, (int, float)):
        if type(value) is not type(like):
            meant = "true or false" if isinstance(like, bool) else "text"
            raise StartError(f"{where}: {meant} is meant, not {value!r}")
        return value
    if isinstance(value, bool) or not isinstance(value, (int, float)) or (isinstance(like, int) and value % 1):
        raise StartError(f"{where}: a number is meant, not {value!r}")
    return type(like)(value)


def _dial_end(name: str, dioptres: Any) -> int:
    try:
        return hundredths(name, dioptres)
    except LensError as error:
        raise StartError(str(error)) from None


def _start_eye(name: str, eye: Any) -> StartEye:
    if eye is None:
        return StartEye()
    if not isinstance(eye, Mapping):
        raise StartError(f'{name}: an object such as {{"sphere": -1.25}} is meant, not {eye!r}')
    _known(eye, _EYE_KEYS, f"{name}: ")
    glasses = eye.get("glasses")
    if glasses is not None:
        if not isinstance(glasses, Mapping):
            raise StartError(f'{name}: glasses: an object such as {{"sphere": -1.25}} is meant, not {glasses!r}')
        _known(glasses, _LENS_KEYS, f"{name}: glasses: ")
    try:
        return StartEye(
            lens=_lens(eye),
            acuity=_acuity(eye.get("acuity")),
            unaided=_acuity(eye.get("unaided")),
            glasses=None if glasses is None else _lens(glasses),
        )
    except (LensError, StartError, AcuityError) as error:
        raise StartError(f"{name} eye: {error}") from None


def _lens(given: Mapping[str, Any]) -> Lens | None:
    if given.get("sphere") is None:
        for key in ("cylinder", "axis"):
            if given.get(key) is not None:
                raise StartError(f"{key}: is given without a sphere")
        return None
    sphere, cylinder = hundredths("sphere", given["sphere"]), hundredths("cylinder", given.get("cylinder") or 0)
    axis = given.get("axis")
    if cylinder and axis is None:
        raise StartError("axis: is missing; a cylinder needs one, 1-180")
    axis = 180 if axis is None else axis
    if cylinder > 0:
        return to_minus(PlusCylinderForm(sphere, cylinder, axis))
    return Lens(sphere, cylinder, axis)


def _acuity(given: Any) -> str | None:
    """Any notation as a line in feet, as the exam keeps it."""
    if given is None:
        return None
    number = isinstance(given, (int, float)) and not isinstance(given, bool)
    return str(Acuity.parse(str(given) if number else given))


def start_to_dict(start: Start) -> dict[str, Any]:
    """The start dict of a `Start`; `start_from_dict` gives it back."""
    made: dict[str, Any] = {}
    for key in ("patient", *_NUMBERS, *_WORDS):
        if getattr(start, key) is not None:
            made[key] = getattr(start, key)
    if start.red_flags:
        made["red_flags"] = list(start.red_flags)
    if start.dominant is not None:
        made["dominant"] = start.dominant.value
    manner = _changed(start.manner, Manner())
    if manner:
        made["manner"] = manner
    for name, eye in (("right", start.right), ("left", start.left)):
        held: dict[str, Any] = {} if eye.lens is None else _lens_dict(eye.lens)
        for key, line in (("acuity", eye.acuity), ("unaided", eye.unaided)):
            if line is not None:
                held[key] = line
        if eye.glasses is not None:
            held["glasses"] = _lens_dict(eye.glasses)
        if held:
            made[name] = held
    return made


def _lens_dict(lens: Lens) -> dict[str, Any]:
    return {"sphere": lens.sphere / 100, "cylinder": lens.cylinder / 100, "axis": lens.axis}


def _changed(value: Any, default: Any) -> dict[str, Any]:
    """The fields of a dataclass that are not as in `default`, as JSON can hold them."""
    made: dict[str, Any] = {}
    for field in fields(value):
        held, usual = getattr(value, field.name), getattr(default, field.name)
        if held == usual:
            continue
        if is_dataclass(held):
            made[field.name] = _changed(held, usual)
        elif field.name in _DIAL_ENDS:
            made[field.name] = held / 100
        else:
            made[field.name] = plain(held)
    return made


def start_from_spectacles(spectacles: Spectacles) -> tuple[dict[str, Any], list[str]]:
    """A prescription as a starting point, with notes on all that could not be taken over as it stands."""
    start: dict[str, Any] = {"source": "glasses"}
    notes: list[str] = []
    if spectacles.patient is not None:
        start["patient"] = spectacles.patient
    if spectacles.status == "draft":
        notes.append("the prescription is a draft, signed by nobody")
    for eye in ("right", "left"):
        lenses = [lens for lens in spectacles.lenses if lens.eye == eye]
        if not lenses:
            notes.append(f"{eye} eye: none in the prescription, it starts from zero")
            continue
        if len(lenses) > 1:
            notes.append(f"{eye} eye: {len(lenses)} lenses in the prescription, the first was taken")
        lens, more = _starting_lens(lenses[0])
        notes += [f"{eye} eye: {note}" for note in more]
        if lens is not None:
            start[eye] = {
                "sphere": lens.sphere / 100,
                "cylinder": lens.cylinder / 100,
                "axis": lens.axis,
            }
    return start, notes


def _starting_lens(given: SpectacleLens) -> tuple[Lens | None, list[str]]:
    notes = []
    sphere = given.sphere
    if sphere is None and given.power is not None:
        sphere = given.power
        notes.append("a contact lens: its power counts at the cornea and was taken as it is")
    if sphere is None and given.cylinder is None:
        return None, [*notes, "no sphere in the prescription, it starts from zero"]
    sphere, cylinder, axis = sphere or Decimal(0), given.cylinder or Decimal(0), given.axis or 180
    try:
        if sphere % _CLICK or cylinder % _CLICK:
            lens = nearest_lens(PowerVector.of(float(sphere), float(cylinder), axis))
            notes.append(f"{sphere} {cylinder} lies between clicks and was rounded: {written(lens)}")
        elif cylinder > 0:
            lens = to_minus(PlusCylinderForm(int(sphere * 100), int(cylinder * 100), axis))
        else:
            lens = Lens(int(sphere * 100), int(cylinder * 100), axis)
    except LensError as error:
        raise StartError(f"{given.eye} eye: {error}") from None
    if cylinder > 0:
        notes.append(f"plus cylinder, transposed: {written(lens)}")
    if given.add:
        notes.append(f"add {given.add:+}, not part of the start")
    for prism in given.prisms:
        notes.append(f"prism {prism.amount} base {prism.base}, not part of the start: set it by hand if it is to stay")
    return lens, notes


def _click(power: Decimal) -> int:
    """The nearest quarter dioptre, in hundredths; halves away from zero."""
    return int((power * 4).quantize(Decimal(1), ROUND_HALF_UP)) * 25

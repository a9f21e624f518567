"""Starting points: from our own JSON, or from a prescription in FHIR; each becomes the same plain dict.

    {"patient": "K-07", "age": 52, "pd": 62,
     "right": {"sphere": -1.25, "cylinder": -0.5, "axis": 90, "acuity": "20/60"},
     "left": {"sphere": 0.25}}

Dioptres, degrees, millimetres, years; every key may be left out. The dict goes into the log's header, and
`start_from_dict` makes the exam's `Start` of it, for the exam and again for its replay.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

from ..errors import UserError
from ..optics.acuity import Acuity, AcuityError
from ..optics.lens import Lens, LensError, hundredths
from ..optics.transpose import PlusCylinderForm, to_minus, written
from ..protocol.start import Start, StartError, StartEye
from .fhir_read import FhirError, SpectacleLens, Spectacles, read_vision_prescription

_KEYS = ("patient", "age", "pd", "right", "left", "eyes")
_EYE_KEYS = ("sphere", "cylinder", "axis", "acuity")


def read_start(path: Path) -> tuple[dict[str, Any], list[str]]:
    """The start dict of a file, and notes for the examiner (what was rounded, transposed or left aside).

    Reads our own JSON, a FHIR R4 or R5 VisionPrescription, or a FHIR Bundle that holds one. Raises
    UserError, one line naming the file, the field and the rule; nothing is imported by halves.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise UserError(f"{path} does not exist: give the file of a starting point") from None
    except UnicodeDecodeError:
        raise UserError(f"{path} is not text: a starting point is a JSON file") from None
    except OSError as error:
        raise UserError(f"{path} cannot be read: {error.strerror}") from None
    try:
        held = json.loads(text, parse_float=Decimal, parse_constant=_no_constant)
    except RecursionError:
        raise UserError(f"{path} is not JSON: nested too deep") from None
    except ValueError as error:
        raise UserError(f"{path} is not JSON: {error}") from None
    if not isinstance(held, dict):
        raise UserError(f'{path}: a starting point is a JSON object, such as {{"right": {{"sphere": -1.25}}}}')
    try:
        if "resourceType" in held:
            start, notes = start_from_spectacles(read_vision_prescription(held))
        else:
            start, notes = _own(held), []
        start_from_dict(start)
    except (FhirError, StartError) as error:
        raise UserError(f"{path}: {error}") from None
    return start, notes


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} is not a number JSON has")


def _own(held: Mapping[str, Any]) -> dict[str, Any]:
    _known(held, _KEYS, "")
    eyes = held.get("eyes", {})
    if not isinstance(eyes, Mapping):
        raise StartError('eyes: {"right": ..., "left": ...} is meant')
    _known(eyes, ("right", "left"), "eyes: ")
    made: dict[str, Any] = {}
    for key in ("patient", "age", "pd"):
        if held.get(key) is not None:
            made[key] = _plain(held[key])
    for name in ("right", "left"):
        if name in held and name in eyes:
            raise StartError(f"{name}: is given twice")
        eye = held.get(name, eyes.get(name))
        if eye is None:
            continue
        if not isinstance(eye, Mapping):
            raise StartError(f'{name}: an object such as {{"sphere": -1.25}} is meant, not {eye!r}')
        _known(eye, _EYE_KEYS, f"{name}: ")
        made[name] = {key: _plain(value) for key, value in eye.items() if value is not None}
    return made


def _known(held: Mapping[str, Any], keys: Iterable[str], where: str) -> None:
    for key in held:
        if key not in keys:
            near = difflib.get_close_matches(str(key), keys, 1)
            hint = f"; did you mean {near[0]}?" if near else f"; there are {', '.join(keys)}"
            raise StartError(f"{where}{key}: no such key{hint}")


def _plain(value: Any) -> Any:
    return float(value) if isinstance(value, Decimal) else value


def start_from_dict(start: Mapping[str, Any]) -> Start:
    """The exam's starting point of a start dict; raises StartError naming eye, field and rule."""
    patient = start.get("patient")
    if patient is not None and not isinstance(patient, (str, int)):
        raise StartError(f"patient: a code is meant, not {patient!r}")
    for key in ("age", "pd"):
        value = start.get(key)
        if value is not None and (isinstance(value, bool) or not isinstance(value, (int, float))):
            raise StartError(f"{key}: {value!r} is not a number")
    age = start.get("age")
    if age is not None and age != int(age):
        raise StartError(f"age: {age} is not whole years")
    return Start(
        right=_start_eye("right", start.get("right")),
        left=_start_eye("left", start.get("left")),
        pd=start.get("pd"),
        age=None if age is None else int(age),
        patient=None if patient is None else str(patient),
    )


def _start_eye(name: str, eye: Mapping[str, Any] | None) -> StartEye:
    if eye is None:
        return StartEye()
    try:
        acuity = eye.get("acuity")
        if acuity is not None:
            acuity = _acuity(acuity)
        if eye.get("sphere") is None:
            for key in ("cylinder", "axis"):
                if eye.get(key) is not None:
                    raise StartError(f"{key}: is given without a sphere")
            return StartEye(None, acuity)
        sphere, cylinder = (
            hundredths("sphere", eye["sphere"]),
            hundredths("cylinder", eye.get("cylinder") or 0),
        )
        axis = eye.get("axis")
        if cylinder and axis is None:
            raise StartError("axis: is missing; a cylinder needs one, 1-180")
        axis = 180 if axis is None else axis
        if cylinder > 0:
            return StartEye(to_minus(PlusCylinderForm(sphere, cylinder, axis)), acuity)
        return StartEye(Lens(sphere, cylinder, axis), acuity)
    except (LensError, StartError, AcuityError) as error:
        raise StartError(f"{name} eye: {error}") from None


def _acuity(given: object) -> str:
    """Any notation as a line in feet, as the exam keeps it."""
    return str(Acuity.parse(str(given) if isinstance(given, (int, float)) else given))  # type: ignore[arg-type]


def start_to_dict(start: Start) -> dict[str, Any]:
    """The start dict of a `Start`; `start_from_dict` gives it back."""
    made: dict[str, Any] = {}
    for key, value in (("patient", start.patient), ("age", start.age), ("pd", start.pd)):
        if value is not None:
            made[key] = value
    for name, eye in (("right", start.right), ("left", start.left)):
        held: dict[str, Any] = {}
        if eye.lens is not None:
            held = {
                "sphere": eye.lens.sphere / 100,
                "cylinder": eye.lens.cylinder / 100,
                "axis": eye.lens.axis,
            }
        if eye.acuity is not None:
            held["acuity"] = eye.acuity
        if held:
            made[name] = held
    return made


def start_from_spectacles(spectacles: Spectacles) -> tuple[dict[str, Any], list[str]]:
    """A prescription as a starting point, with notes on all that could not be taken over as it stands."""
    start: dict[str, Any] = {}
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
    cylinder, axis = given.cylinder or Decimal(0), given.axis or 180
    try:
        lens = (
            to_minus(PlusCylinderForm(_click(sphere or Decimal(0)), _click(cylinder), axis))
            if cylinder > 0
            else Lens(_click(sphere or Decimal(0)), _click(cylinder), axis)
        )
    except LensError as error:
        raise StartError(f"{given.eye} eye: {error}") from None
    if _click(sphere or Decimal(0)) != (sphere or 0) * 100 or _click(cylinder) != cylinder * 100:
        notes.append(f"{sphere} {cylinder} lies between clicks and was rounded: {written(lens)}")
    if cylinder > 0:
        notes.append(f"plus cylinder, transposed: {written(lens)}")
    if given.add:
        notes.append(f"add {given.add:+}, not part of the start")
    for prism in given.prisms:
        notes.append(f"prism {prism.amount} base {prism.base}, not part of the start: set it by hand if it is to stay")
    return lens, notes


def _click(power: Decimal) -> int:
    """The nearest quarter dioptre, in hundredths; halves away from zero."""
    return int((power * 4).quantize(Decimal(1), "ROUND_HALF_UP")) * 25

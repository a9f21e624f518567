"""Reading HL7 FHIR VisionPrescription, R4 and R5, into plain values.

Sources: the official StructureDefinitions and examples (hl7.org/fhir/R4 and /R5). FHIR ties no axis to a
cylinder; the rules here that go beyond it (cylinder if and only if axis, powers within -25..+25, -10..+10,
0..5) follow the Nictiz zib Refraction profile, but for plus cylinders, which older prescriptions have.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

STATUSES = ("active", "cancelled", "draft", "entered-in-error")
BASES = ("up", "down", "in", "out")

_SPHERE = (Decimal(-25), Decimal(25))
_CYLINDER = (Decimal(-10), Decimal(10))
_ADD = (Decimal(0), Decimal(5))


class FhirError(ValueError):
    """A resource that cannot be read as a prescription; the message names the element and the rule."""


@dataclass(frozen=True)
class Prism:
    """`amount` in prism dioptres, `base`: up, down, in or out."""

    amount: Decimal
    base: str


@dataclass(frozen=True)
class Duration:
    """How long a contact lens may be worn: value, unit as written, and its code."""

    value: Decimal
    unit: str | None
    code: str | None


@dataclass(frozen=True)
class SpectacleLens:
    """One lens: powers in dioptres as written (Decimal keeps the places), axis in degrees.

    `product` is its code ("lens", "contact"). The last fields are a contact lens's: power (dioptres), back
    curve and diameter (mm), duration, colour, brand.
    """

    eye: str
    product: str
    sphere: Decimal | None = None
    cylinder: Decimal | None = None
    axis: int | None = None
    add: Decimal | None = None
    prisms: tuple[Prism, ...] = ()
    power: Decimal | None = None
    back_curve: Decimal | None = None
    diameter: Decimal | None = None
    duration: Duration | None = None
    colour: str | None = None
    brand: str | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Spectacles:
    """A prescription: its status, dates as written, patient and prescriber as far as they are named,
    lenses.
    """

    status: str
    lenses: tuple[SpectacleLens, ...]
    patient: str | None = None
    prescriber: str | None = None
    licence: str | None = None
    created: str | None = None
    date_written: str | None = None
    identifiers: tuple[str, ...] = field(default=())


def read_vision_prescription(resource: Mapping[str, Any]) -> Spectacles:
    """A VisionPrescription, or the only one in a Bundle. Numbers must have been parsed as int and Decimal.

    Raises FhirError; a prescription that is cancelled or entered in error is refused.
    """
    kind = resource.get("resourceType")
    if kind == "Bundle":
        found = [
            entry["resource"]
            for entry in _list(resource, "entry", "Bundle")
            if isinstance(entry, Mapping)
            and isinstance(entry.get("resource"), Mapping)
            and entry["resource"].get("resourceType") == "VisionPrescription"
        ]
        if len(found) != 1:
            raise FhirError(f"Bundle: one VisionPrescription is needed, it holds {len(found)}")
        resource = found[0]
    elif kind != "VisionPrescription":
        raise FhirError(f"resourceType: {kind!r} is not VisionPrescription")
    status = resource.get("status")
    if status not in STATUSES:
        raise FhirError(f"status: {status!r} is none of {', '.join(STATUSES)}")
    if status in ("cancelled", "entered-in-error"):
        raise FhirError(f"status: the prescription is {status}, it must not be used")
    lenses = _list(resource, "lensSpecification", "VisionPrescription")
    if not lenses:
        raise FhirError("lensSpecification: is missing; a prescription has at least one")
    prescriber = resource.get("prescriber")
    return Spectacles(
        status=status,
        lenses=tuple(_lens(lens, f"lensSpecification[{place}]") for place, lens in enumerate(lenses)),
        patient=_reference(resource.get("patient"), "patient"),
        prescriber=_reference(prescriber, "prescriber"),
        licence=_identifier(prescriber),
        created=_text(resource, "created", ""),
        date_written=_text(resource, "dateWritten", ""),
        identifiers=tuple(
            str(held["value"])
            for held in _list(resource, "identifier", "")
            if isinstance(held, Mapping) and "value" in held
        ),
    )


def _lens(held: object, where: str) -> SpectacleLens:
    if not isinstance(held, Mapping):
        raise FhirError(f"{where}: is not an object")
    eye = held.get("eye")
    if eye not in ("right", "left"):
        raise FhirError(f"{where}.eye: {eye!r} is neither right nor left")
    cylinder = _decimal(held, "cylinder", where, _CYLINDER)
    axis = held.get("axis")
    if axis is not None:
        if isinstance(axis, bool) or not isinstance(axis, int):
            raise FhirError(f"{where}.axis: {axis!r} is not a whole number of degrees")
        if not 0 <= axis <= 180:
            raise FhirError(f"{where}.axis: {axis} is outside 0-180 degrees")
        if cylinder is None:
            raise FhirError(f"{where}.axis: is given without a cylinder")
    elif cylinder:
        raise FhirError(f"{where}.cylinder: is given without an axis")
    return SpectacleLens(
        eye=str(eye),
        product=_product(held.get("product"), where),
        sphere=_decimal(held, "sphere", where, _SPHERE),
        cylinder=cylinder,
        axis=axis or (None if axis is None else 180),
        add=_decimal(held, "add", where, _ADD),
        prisms=tuple(_prism(prism, f"{where}.prism") for prism in _list(held, "prism", where)),
        power=_decimal(held, "power", where, _SPHERE),
        back_curve=_decimal(held, "backCurve", where),
        diameter=_decimal(held, "diameter", where),
        duration=_duration(held.get("duration"), f"{where}.duration"),
        colour=_text(held, "color", where),
        brand=_text(held, "brand", where),
        notes=tuple(
            str(note["text"]) for note in _list(held, "note", where) if isinstance(note, Mapping) and "text" in note
        ),
    )


def _prism(held: object, where: str) -> Prism:
    if not isinstance(held, Mapping):
        raise FhirError(f"{where}: is not an object")
    amount = _decimal(held, "amount", where, (Decimal(0), Decimal(40)))
    base = held.get("base")
    if amount is None:
        raise FhirError(f"{where}.amount: is missing")
    if base not in BASES:
        raise FhirError(f"{where}.base: {base!r} is none of {', '.join(BASES)}")
    return Prism(amount, str(base))


def _product(held: object, where: str) -> str:
    if not isinstance(held, Mapping):
        raise FhirError(f"{where}.product: is missing")
    for coding in _list(held, "coding", f"{where}.product"):
        if isinstance(coding, Mapping) and isinstance(coding.get("code"), str):
            return str(coding["code"])
    return str(held.get("text", "lens"))


def _duration(held: object, where: str) -> Duration | None:
    if held is None:
        return None
    if not isinstance(held, Mapping):
        raise FhirError(f"{where}: is not an object")
    value = _decimal(held, "value", where)
    if value is None:
        raise FhirError(f"{where}.value: is missing")
    return Duration(value, _text(held, "unit", where), _text(held, "code", where))


def _decimal(
    held: Mapping[str, Any], key: str, where: str, limits: tuple[Decimal, Decimal] | None = None
) -> Decimal | None:
    value = held.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, Decimal)):
        raise FhirError(f"{where}.{key}: {value!r} is not a number")
    number = Decimal(value)
    if limits is not None and not limits[0] <= number <= limits[1]:
        raise FhirError(f"{where}.{key}: {number} is outside {limits[0]:+} to {limits[1]:+}")
    return number


def _text(held: Mapping[str, Any], key: str, where: str) -> str | None:
    value = held.get(key)
    if value is not None and not isinstance(value, str):
        raise FhirError(f"{where}{'.' if where else ''}{key}: {value!r} is not text")
    return value


def _list(held: Mapping[str, Any], key: str, where: str) -> list[Any]:
    value = held.get(key, [])
    if not isinstance(value, list):
        raise FhirError(f"{where}{'.' if where else ''}{key}: is not a list")
    return value


def _identifier(held: object) -> str | None:
    if isinstance(held, Mapping) and isinstance(held.get("identifier"), Mapping):
        value = held["identifier"].get("value")
        return None if value is None else str(value)
    return None


def _reference(held: object, where: str) -> str | None:
    """Who is meant: the identifier's value, the display, or the reference itself."""
    if held is None:
        return None
    if not isinstance(held, Mapping):
        raise FhirError(f"{where}: is not a reference")
    if where == "patient" and (code := _identifier(held)):
        return code
    for key in ("display", "reference"):
        if isinstance(held.get(key), str):
            return str(held[key])
    return _identifier(held)

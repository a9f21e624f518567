"""Exams and prescriptions as HL7 FHIR, R4 or R5: a Bundle with a VisionPrescription and Observations.

Sources: the official StructureDefinitions (hl7.org/fhir/R4/visionprescription.html, /R5/...); LOINC codes
read and mod-10 valid. Codes that were not verified are left out: such an Observation is named in words
only. The written form of a power has two places ("-1.50"), which FHIR decimals keep.
"""

from __future__ import annotations

import json
import re
import uuid
from collections.abc import Iterator, Mapping
from decimal import Decimal
from html import escape
from typing import Any

from ..errors import UserError
from ..optics.acuity import Acuity
from ..optics.transpose import signed, written
from .events import Event
from .fhir_read import Duration, Prism, SpectacleLens, Spectacles
from .log import stamp
from .summary import EyeSummary, Summary

VERSIONS = ("r4", "r5")

_PRODUCTS = "http://terminology.hl7.org/CodeSystem/ex-visionprescriptionproduct"
_LOINC = "http://loinc.org"
_UCUM = "http://unitsofmeasure.org"
_CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"

# LOINC, right and left eye. 65892-2 is the cylinder's power, not an acuity.
_CODES = {
    "sphere": ("65890-6", "65894-8"),
    "cylinder": ("65892-2", "65896-3"),
    "axis": ("65891-4", "65895-5"),
    "acuity": ("65893-0", "65897-1"),
}
_NAMES = {
    "sphere": "Sphere power, {} eye, subjective refraction",
    "cylinder": "Cylinder power, {} eye, subjective refraction",
    "axis": "Cylinder axis, {} eye, subjective refraction",
    "acuity": "Best corrected visual acuity, {} eye",
    "entering": "Visual acuity on entering, {} eye",
    "unaided": "Visual acuity without a lens, {} eye",
}

_LIMITS = {"sphere": (-2500, 2500), "cylinder": (-1000, 0), "add": (0, 500)}  # Nictiz zib Refraction, D/100

_RECKONED = "Reckoned from the interpupillary distance and the working distance"

_RELATIVE = re.compile(r"[A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64}")


def bundle(summary: Summary, version: str = "r4", transaction: bool = False) -> Event:
    """The exam as a Bundle: `collection` for a file, `transaction` to send it to a server.

    The same log always gives the same Bundle. Raises UserError where no eye was measured or a power is
    beyond what receivers accept.
    """
    if version not in VERSIONS:
        raise UserError(f"--fhir-version: {version!r} is none of {', '.join(VERSIONS)}")
    resources = [vision_prescription(spectacles_of(summary)), *_observations(summary)]
    entries = []
    for place, resource in enumerate(resources):
        made: Event = {
            "fullUrl": f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_OID, f'{summary.last_hash}/{place}')}",
            "resource": resource,
        }
        if transaction:
            made["request"] = {"method": "POST", "url": resource["resourceType"]}
        entries.append(made)
    return {
        "resourceType": "Bundle",
        "identifier": {
            "system": "urn:ietf:rfc:3986",
            "value": f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_OID, summary.last_hash)}",
        },
        "type": "transaction" if transaction else "collection",
        "timestamp": stamp(summary.written),
        "entry": entries,
    }


def spectacles_of(summary: Summary) -> Spectacles:
    """The exam's prescription as plain values; raises UserError where no eye was measured."""
    lenses = []
    for name, eye in summary.eyes():
        if eye.lens is None:
            continue
        powers = {"sphere": eye.lens.sphere, "cylinder": eye.lens.cylinder, "add": eye.add or 0}
        for key, power in powers.items():
            low, high = _LIMITS[key]
            if not low <= power <= high:
                raise UserError(
                    f"{name} eye: {key} {signed(power)} is outside {signed(low)} to {signed(high)}, "
                    f"which receivers "
                    "accept; it cannot be sent"
                )
        lenses.append(
            SpectacleLens(
                eye=name,
                product="lens",
                sphere=dioptres(eye.lens.sphere),
                cylinder=dioptres(eye.lens.cylinder) if eye.lens.cylinder else None,
                axis=eye.lens.axis if eye.lens.cylinder else None,
                add=None if eye.add is None else dioptres(eye.add),
                notes=_notes(eye, summary.unconfirmed),
            )
        )
    if not lenses:
        raise UserError("neither eye was measured: there is no prescription to export")
    moment = stamp(summary.written)
    return Spectacles(
        status=summary.status,
        lenses=tuple(lenses),
        patient=summary.patient,
        prescriber=None if summary.signed is None else str(summary.signed["by"]),
        licence=None if summary.signed is None else str(summary.signed["licence"]),
        created=moment,
        date_written=moment,
    )


def _notes(eye: EyeSummary, unconfirmed: str | None) -> tuple[str, ...]:
    notes = [] if eye.remark is None else [f"This eye was {eye.remark}."]
    if unconfirmed is not None:
        notes.append(f"The prescription was {unconfirmed}.")
    if eye.intermediate:
        notes.append(f"Intermediate add {signed(eye.intermediate)}.")
    return tuple(notes)


def dioptres(power: int) -> Decimal:
    """Hundredths of a dioptre as a Decimal with its two places: -150 -> -1.50."""
    return Decimal(power).scaleb(-2)


def vision_prescription(spectacles: Spectacles) -> Event:
    """A VisionPrescription resource; the same in R4 and R5."""
    made: Event = {"resourceType": "VisionPrescription", "text": _narrative(spectacles)}
    if spectacles.identifiers:
        made["identifier"] = [{"value": value} for value in spectacles.identifiers]
    return made | {
        "status": spectacles.status,
        "created": spectacles.created,
        "patient": _reference("Patient", spectacles.patient, "Not named in this record"),
        "dateWritten": spectacles.date_written,
        "prescriber": _reference(
            "Practitioner", spectacles.prescriber, "Nobody yet: a draft, not signed", spectacles.licence
        ),
        "lensSpecification": [_lens_specification(lens) for lens in spectacles.lenses],
    }


def _reference(kind: str, who: str | None, nobody: str, licence: str | None = None) -> Event:
    if who is None:
        return {"type": kind, "display": nobody}
    if _RELATIVE.fullmatch(who):
        return {"reference": who}
    if kind == "Patient":  # a code, not a name
        return {"type": kind, "identifier": {"value": who}}
    return {"type": kind, **({"identifier": {"value": licence}} if licence else {}), "display": who}


def _lens_specification(lens: SpectacleLens) -> Event:
    made: Event = {"product": {"coding": [{"system": _PRODUCTS, "code": lens.product}]}, "eye": lens.eye}
    fields: tuple[tuple[str, Any], ...] = (
        ("sphere", lens.sphere),
        ("cylinder", lens.cylinder),
        ("axis", lens.axis),
        ("prism", [_prism(prism) for prism in lens.prisms] or None),
        ("add", lens.add),
        ("power", lens.power),
        ("backCurve", lens.back_curve),
        ("diameter", lens.diameter),
        ("duration", None if lens.duration is None else _duration(lens.duration)),
        ("color", lens.colour),
        ("brand", lens.brand),
        ("note", [{"text": note} for note in lens.notes] or None),
    )
    return made | {key: value for key, value in fields if value is not None}


def _prism(prism: Prism) -> Event:
    return {"amount": prism.amount, "base": prism.base}


def _duration(duration: Duration) -> Event:
    made: Event = {"value": duration.value}
    if duration.unit is not None:
        made["unit"] = duration.unit
    if duration.code is not None:
        made |= {"system": _UCUM, "code": duration.code}
    return made


def _narrative(spectacles: Spectacles) -> Event:
    lines = []
    if spectacles.status == "draft":
        lines.append("Draft, not signed.")
    for lens in spectacles.lenses:
        words = [f"{lens.eye} eye:"]
        for value, form in (
            (lens.sphere, "{:+.2f}"),
            (lens.power, "power {:+.2f}"),
            (lens.cylinder, "{:+.2f}"),
        ):
            if value is not None:
                words.append(form.format(value))
        if lens.axis is not None:
            words.append(f"x {lens.axis:03d}")
        words += [f"prism {prism.amount} base {prism.base}" for prism in lens.prisms]
        if lens.add is not None:
            words.append(f"add {lens.add:+.2f}")
        lines.append(" ".join((*words, *(f"({note})" for note in lens.notes))))
    body = "".join(f"<p>{escape(line)}</p>" for line in lines)
    return {"status": "generated", "div": f'<div xmlns="http://www.w3.org/1999/xhtml">{body}</div>'}


def _observations(summary: Summary) -> Iterator[Event]:
    for side, (name, eye) in enumerate(summary.eyes()):
        for made in _of_eye(summary, side, name, eye):
            # A signature does not complete an eye's exam: "final" is complete and verified.
            yield made if eye.complete else {**made, "status": "preliminary"}
    yield from _of_both(summary)


def _of_eye(summary: Summary, side: int, name: str, eye: EyeSummary) -> Iterator[Event]:
    if eye.lens is not None:
        yield _observation(summary, name, "sphere", side, _quantity(dioptres(eye.lens.sphere), "D", "[diop]"))
        if eye.lens.cylinder:
            power = _quantity(dioptres(eye.lens.cylinder), "D", "[diop]")
            yield _observation(summary, name, "cylinder", side, power)
            axis = _quantity(eye.lens.axis, "degrees", "deg")
            yield _observation(summary, name, "axis", side, axis)
    yield from _acuities(summary, side, name, eye)


def _of_both(summary: Summary) -> Iterator[Event]:
    for text, millimetres, reckoned in (
        ("Interpupillary distance", summary.pd, False),
        ("Near interpupillary distance", summary.near_pd, summary.near_pd_computed),
        ("Vertex distance of the refraction", summary.vertex, False),
    ):
        if millimetres is not None:
            made = _base(summary, {"text": text})
            made["valueQuantity"] = _quantity(Decimal(str(millimetres)), "mm", "mm")
            if reckoned:
                made["method"] = {"text": _RECKONED}
                made["note"] = [{"text": f"{_RECKONED}, not measured."}]
            yield made
    near = "" if summary.working_distance is None else f" at {summary.working_distance} cm"
    for text, line in (
        ("Visual acuity, both eyes", summary.acuity_both),
        (f"Near visual acuity, both eyes{near}", summary.near_acuity),
    ):
        if line is not None:
            yield _base(summary, {"text": text}) | {"valueString": line}


def _acuities(summary: Summary, side: int, name: str, eye: EyeSummary) -> Iterator[Event]:
    for key, line in (
        ("acuity", eye.acuity),
        ("entering", eye.entering_acuity),
        ("unaided", eye.unaided_acuity),
    ):
        if line is None:
            continue
        logmar = Decimal(f"{Acuity.parse(line).logmar:.2f}") + 0  # no negative zero
        made = _observation(summary, name, key, side, {"valueString": line})
        made["component"] = [{"code": {"text": "logMAR"}, "valueQuantity": {"value": logmar, "unit": "logMAR"}}]
        if key == "acuity" and eye.lens is not None:
            made["note"] = [{"text": f"Through {written(eye.lens)}"}]
        yield made


def _observation(summary: Summary, eye: str, what: str, side: int, value: Event) -> Event:
    code: Event = {"text": _NAMES[what].format(eye)}
    if what in _CODES:
        code = {"coding": [{"system": _LOINC, "code": _CODES[what][side]}], **code}
    return _base(summary, code) | (value if "valueString" in value else {"valueQuantity": value})


def _base(summary: Summary, code: Event) -> Event:
    made: Event = {
        "resourceType": "Observation",
        "status": "preliminary" if summary.signed is None else "final",
        "category": [{"coding": [{"system": _CATEGORY, "code": "exam"}]}],
        "code": code,
        "subject": _reference("Patient", summary.patient, "Not named in this record"),
        "effectiveDateTime": stamp(summary.begun),
        "issued": stamp(summary.written),
    }
    if summary.signed is not None:
        performer = _reference("Practitioner", str(summary.signed["by"]), "", str(summary.signed["licence"]))
        made["performer"] = [performer]
    return made


def _quantity(value: Decimal | int, unit: str, code: str) -> Event:
    return {"value": value, "unit": unit, "system": _UCUM, "code": code}


def to_json(value: object, indent: int = 0) -> str:
    """JSON text in which a Decimal keeps its places, two blanks an indent; ends without a line end."""
    here, inside = " " * indent, " " * (indent + 2)
    if isinstance(value, Decimal):
        return f"{value:f}"
    if isinstance(value, Mapping):
        members = [f"{inside}{json.dumps(str(key))}: {to_json(held, indent + 2)}" for key, held in value.items()]
        return "{\n" + ",\n".join(members) + f"\n{here}}}" if members else "{}"
    if isinstance(value, (list, tuple)):
        items = [inside + to_json(held, indent + 2) for held in value]
        return "[\n" + ",\n".join(items) + f"\n{here}]" if items else "[]"
    return json.dumps(value, allow_nan=False)

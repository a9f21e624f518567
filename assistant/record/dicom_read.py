"""Reading a starting point from DICOM: Lensometry, Autorefraction or Subjective Refraction Measurements.

Source: DICOM PS3.3, C.8.25.8, C.8.25.9, C.8.25.11 (powers in dioptres, axes in degrees, distances in
millimetres).
"""

from __future__ import annotations

import io
from decimal import Decimal
from typing import TYPE_CHECKING, Any, NamedTuple

from ..errors import UserError
from .dicom import INSTALL, SUBJECTIVE_REFRACTION
from .fhir_read import Prism, SpectacleLens, Spectacles

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

LENSOMETRY = "1.2.840.10008.5.1.4.1.1.78.1"
AUTOREFRACTION = "1.2.840.10008.5.1.4.1.1.78.2"

# SOP class: where the exam's start says it comes from, and the sequences of the right and the left eye.
_KINDS = {
    LENSOMETRY: ("glasses", "RightLensSequence", "LeftLensSequence"),
    AUTOREFRACTION: ("autorefraction", "AutorefractionRightEyeSequence", "AutorefractionLeftEyeSequence"),
    SUBJECTIVE_REFRACTION: (
        "glasses",
        "SubjectiveRefractionRightEyeSequence",
        "SubjectiveRefractionLeftEyeSequence",
    ),
}


class DicomError(ValueError):
    """An object that cannot be read as a starting point; the message names the attribute and the rule."""


class Measured(NamedTuple):
    """A measurement as a prescription, with its source and the PDs in millimetres where they were
    measured.
    """

    spectacles: Spectacles
    source: str
    pd: float | None
    near_pd: float | None


def is_dicom(content: bytes) -> bool:
    """Whether a file is a DICOM file (PS3.10: DICM after 128 bytes of preamble)."""
    return content[128:132] == b"DICM"


def read_measurement(content: bytes) -> Measured:
    """The measurement in a DICOM file. Raises DicomError, or UserError where pydicom is not installed."""
    try:
        from pydicom import dcmread
    except ImportError:
        raise UserError(f"DICOM needs the pydicom package: {INSTALL}") from None
    try:
        dataset = dcmread(io.BytesIO(content))
        kind = str(dataset.get("SOPClassUID", ""))
        if kind not in _KINDS:
            raise DicomError(
                "SOP Class UID: it is none of Lensometry, Autorefraction, Subjective Refraction Measurements"
            )
        source, *sequences = _KINDS[kind]
        lenses = [
            _lens(eye, item)
            for eye, keyword in zip(("right", "left"), sequences, strict=True)
            for item in dataset.get(keyword, [])
        ]
        if not lenses:
            raise DicomError("it measures neither the right nor the left eye")
        return Measured(
            Spectacles(status="active", lenses=tuple(lenses), patient=str(dataset.get("PatientID") or "") or None),
            source,
            _millimetres(dataset, "DistancePupillaryDistance"),
            _millimetres(dataset, "NearPupillaryDistance"),
        )
    except (DicomError, UserError):
        raise
    except Exception as error:  # the library raises many kinds for a damaged file
        raise DicomError(f"it is a damaged DICOM file: {error}") from None


def _lens(eye: str, item: Dataset) -> SpectacleLens:
    cylinder, axis = None, None
    if item.get("CylinderSequence"):
        cylinder = _number(item.CylinderSequence[0], "CylinderPower")
        given = _number(item.CylinderSequence[0], "CylinderAxis")
        if cylinder is not None and given is not None:
            if not 0 <= given <= 180:
                raise DicomError(f"{eye} eye: Cylinder Axis {given} is outside 0 to 180 degrees")
            axis = round(given) or 180
        elif cylinder:
            raise DicomError(f"{eye} eye: Cylinder Power is given without an axis")
    prisms = []
    for part in item.get("PrismSequence") or []:
        for direction in ("Horizontal", "Vertical"):
            amount, base = _number(part, f"{direction}PrismPower"), part.get(f"{direction}PrismBase")
            if amount:
                prisms.append(Prism(amount, str(base or "not given").lower()))
    add = item.AddNearSequence[0] if item.get("AddNearSequence") else None
    return SpectacleLens(
        eye=eye,
        product="lens",
        sphere=_number(item, "SpherePower"),
        cylinder=cylinder,
        axis=axis,
        add=None if add is None else _number(add, "AddPower"),
        prisms=tuple(prisms),
    )


def _number(item: Any, keyword: str) -> Decimal | None:
    value = item.get(keyword)
    if value is None:
        return None
    number = Decimal(repr(float(value)))
    if not number.is_finite():
        raise DicomError(f"{keyword}: {value} is not a number")
    return number


def _millimetres(dataset: Dataset, keyword: str) -> float | None:
    number = _number(dataset, keyword)
    return None if number is None else float(number)

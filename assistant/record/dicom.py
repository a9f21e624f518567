"""An exam as DICOM objects: Subjective Refraction Measurements, Visual Acuity Measurements, and the Spectacle
Prescription Report (a structured report).

Source: DICOM PS3.3, A.60 and C.8.25; codes from PS3.16 as pydicom carries them. Powers in dioptres, axes in
degrees, distances in millimetres. Whether a prescription is signed is told by the report's Completion and
Verification Flags; the two measurement objects, which have no such flag, say DRAFT in their Series
Description. What was signed with an eye not completed, or without its read-back, is PARTIAL, and so UNVERIFIED; the
Series Description says that it was signed.
"""

from __future__ import annotations

import re
import uuid
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from .. import __version__
from ..errors import UserError
from ..optics.acuity import Acuity
from .folder import write_whole
from .summary import EyeSummary, Summary

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

INSTALL = "pip install 'handsfree-refraction[dicom]'"

SUBJECTIVE_REFRACTION = "1.2.840.10008.5.1.4.1.1.78.4"
VISUAL_ACUITY = "1.2.840.10008.5.1.4.1.1.78.5"
SPECTACLE_PRESCRIPTION = "1.2.840.10008.5.1.4.1.1.78.6"

# Names of the files in an export folder.
NAMES = {
    SUBJECTIVE_REFRACTION: "refraction.dcm",
    VISUAL_ACUITY: "acuity.dcm",
    SPECTACLE_PRESCRIPTION: "prescription.dcm",
}

EXPLICIT_LITTLE_ENDIAN = "1.2.840.10008.1.2.1"
_PROGRAM = "handsfree-refraction"
_UID = re.compile(r"(0|[1-9]\d*)(\.(0|[1-9]\d*))+", re.ASCII)

# PS3.16, context group 4216 and the spectacle prescription's concepts: (value, scheme, meaning).
_BEST_CORRECTED = ("419775003", "SCT", "Best Corrected Visual Acuity")
_REPORT = ("111671", "DCM", "Spectacle Prescription Report")
_RX = {"right": ("111688", "DCM", "Right Eye Rx"), "left": ("111689", "DCM", "Left Eye Rx")}
_SPHERE = ("251795007", "SCT", "Power of sphere")
_CYLINDER = ("251797004", "SCT", "Power of cylinder")
_AXIS = ("251799001", "SCT", "Axis of cylinder")
_ADD_NEAR = ("111672", "DCM", "Add Near")
_ADD_INTERMEDIATE = ("111673", "DCM", "Add Intermediate")
_NEAR_PD = ("111680", "DCM", "Near Pupillary Distance")
_DISTANCE_PD = ("111679", "DCM", "Distance Pupillary Distance")
_DIOPTRE = ("[diop]", "UCUM", "diopter")
_DEGREE = ("deg", "UCUM", "degree")
_MILLIMETRE = ("mm", "UCUM", "mm")


def objects(summary: Summary) -> list[Dataset]:
    """The exam's objects: refraction and prescription, and the acuity where one was read.

    The same log always gives the same UIDs. Raises UserError where no eye was measured, a text does not
    fit, or pydicom is not installed.
    """
    measured = [name for name, eye in summary.eyes() if eye.lens is not None]
    if not measured:
        raise UserError("neither eye was measured: there is no prescription to export")
    made = [_refraction(summary)]
    if any(eye.acuity is not None for _, eye in summary.eyes()):
        made.append(_acuity(summary, made[0]))
    made.append(_prescription(summary))
    return made


def write(summary: Summary, out: Path) -> list[Path]:
    """Write the objects into the folder `out`; or, where it ends in .dcm, the refraction to that file and
    the others beside it. Gives their paths.
    """
    made = objects(summary)
    to = paths(out)
    folder = to[SUBJECTIVE_REFRACTION].parent
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise UserError(f"{folder} cannot be made: {error.strerror}. Give a folder you may write to") from None
    written = []
    for dataset in made:
        path = to[str(dataset.SOPClassUID)]
        write_whole(path, encoded(dataset))
        written.append(path)
    return written


def paths(out: Path) -> dict[str, Path]:
    """Where `write` puts each object, by SOP class."""
    if out.suffix.lower() != ".dcm":
        return {uid: out / name for uid, name in NAMES.items()}
    return {uid: out.with_name(f"{out.stem}-{name}") for uid, name in NAMES.items()} | {SUBJECTIVE_REFRACTION: out}


def encoded(dataset: Dataset) -> bytes:
    """A DICOM file (Part 10, explicit VR little endian)."""
    import io

    buffer = io.BytesIO()
    dataset.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


def _new(summary: Summary, sop_class: str, modality: str, series: int, what: str) -> Dataset:
    """Patient, study, series, equipment and SOP common: what all three objects have."""
    try:
        from pydicom.dataset import Dataset, FileMetaDataset
        from pydicom.uid import UID
    except ImportError:
        raise UserError(f"DICOM needs the pydicom package: {INSTALL}") from None
    dataset = Dataset()
    dataset.SpecificCharacterSet = "ISO_IR 192"
    dataset.SOPClassUID = sop_class
    dataset.SOPInstanceUID = _uid(summary, f"instance {series}")
    dataset.TimezoneOffsetFromUTC = "+0000"
    # Patient
    dataset.PatientName = ""
    dataset.PatientID = _text(summary.patient or "", 64, "patient code")
    dataset.PatientBirthDate = ""
    dataset.PatientSex = ""
    # Study
    appointment = _appointment(summary)
    dataset.StudyInstanceUID = appointment.get("study") or _uid(summary, "study")
    dataset.StudyDate, dataset.StudyTime = _date(summary.begun), _time(summary.begun)
    dataset.ReferringPhysicianName = ""
    dataset.StudyID = summary.last_hash[:16]
    dataset.AccessionNumber = appointment.get("accession", "")
    # Series
    dataset.Modality = modality
    dataset.SeriesInstanceUID = _uid(summary, f"series {series}")
    dataset.SeriesNumber = series
    state = ", DRAFT, not signed" if summary.signed is None else ", signed, NOT COMPLETE" if summary.left_open else ""
    dataset.SeriesDescription = what + state
    # Equipment: the program, for the refractor head is moved by hand and has no serial number known here
    dataset.Manufacturer = _PROGRAM
    dataset.ManufacturerModelName = _PROGRAM
    dataset.DeviceSerialNumber = "none"
    dataset.SoftwareVersions = __version__
    # Content
    dataset.InstanceNumber = 1
    dataset.ContentDate, dataset.ContentTime = _date(summary.written), _time(summary.written)
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = UID(sop_class)
    meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
    meta.TransferSyntaxUID = UID(EXPLICIT_LITTLE_ENDIAN)
    dataset.file_meta = meta
    return dataset


def _refraction(summary: Summary) -> Dataset:
    dataset = _new(summary, SUBJECTIVE_REFRACTION, "SRF", 1, "Subjective refraction")
    measured = {name: eye for name, eye in summary.eyes() if eye.lens is not None}
    dataset.MeasurementLaterality = _laterality(set(measured))
    if "right" in measured:
        dataset.SubjectiveRefractionRightEyeSequence = [_refraction_item(measured["right"])]
    if "left" in measured:
        dataset.SubjectiveRefractionLeftEyeSequence = [_refraction_item(measured["left"])]
    if summary.pd is not None:
        dataset.DistancePupillaryDistance = float(summary.pd)
    if summary.near_pd is not None and not summary.near_pd_computed:  # the attribute is a measurement
        dataset.NearPupillaryDistance = float(summary.near_pd)
    return dataset


def _refraction_item(eye: EyeSummary) -> Dataset:
    from pydicom.dataset import Dataset

    assert eye.lens is not None  # only measured eyes are asked for
    item = Dataset()
    item.SpherePower = eye.lens.sphere / 100
    if eye.lens.cylinder:
        cylinder = Dataset()
        cylinder.CylinderPower = eye.lens.cylinder / 100
        cylinder.CylinderAxis = float(eye.lens.axis)
        item.CylinderSequence = [cylinder]
    for keyword, power in (("AddNearSequence", eye.add), ("AddIntermediateSequence", eye.intermediate)):
        if power:
            add = Dataset()
            add.AddPower = power / 100
            setattr(item, keyword, [add])
    return item


def _acuity(summary: Summary, refraction: Dataset) -> Dataset:
    dataset = _new(summary, VISUAL_ACUITY, "VA", 2, "Best corrected visual acuity")
    read = {name: eye.acuity for name, eye in summary.eyes() if eye.acuity is not None}
    dataset.MeasurementLaterality = _laterality(set(read))
    dataset.ViewingDistanceType = "DISTANCE"
    dataset.VisualAcuityTypeCodeSequence = [_code(_BEST_CORRECTED)]
    # The chart is the examiner's; lines of letters on white are assumed, as the exam asks for them.
    dataset.BackgroundColor = "WHITE"
    dataset.Optotype = "LETTERS"
    dataset.OptotypeDetailedDefinition = "Lines of letters; the chart is not recorded"
    dataset.OptotypePresentation = "MULTIPLE"
    dataset.ReferencedRefractiveMeasurementsSequence = [_reference(refraction)]
    if "right" in read:
        dataset.VisualAcuityRightEyeSequence = [_acuity_item(read["right"])]
    if "left" in read:
        dataset.VisualAcuityLeftEyeSequence = [_acuity_item(read["left"])]
    return dataset


def _reference(dataset: Dataset) -> Dataset:
    """The refraction the acuity was read through."""
    from pydicom.dataset import Dataset

    item = Dataset()
    item.ReferencedSOPClassUID = dataset.SOPClassUID
    item.ReferencedSOPInstanceUID = dataset.SOPInstanceUID
    return item


def _acuity_item(line: str) -> Dataset:
    from pydicom.dataset import Dataset

    item = Dataset()
    item.DecimalVisualAcuity = round(10 ** -Acuity.parse(line).logmar, 4)  # single letters count
    return item


def _prescription(summary: Summary) -> Dataset:
    dataset = _new(summary, SPECTACLE_PRESCRIPTION, "SR", 3, "Spectacle prescription")
    _no_trial(dataset)
    dataset.ReferencedPerformedProcedureStepSequence = []
    dataset.PerformedProcedureCodeSequence = []
    missing = [f"{name} eye {eye.remark}" for name, eye in summary.eyes() if eye.remark is not None]
    missing += [summary.unconfirmed] if summary.unconfirmed else []
    # Only what is complete may be verified (PS3.3 C.17.2). An eye left out does not make a signed report incomplete, an
    # eye not brought to its end does, whoever signed it.
    whole = not missing if summary.signed is None else not summary.left_open
    dataset.CompletionFlag = "COMPLETE" if whole else "PARTIAL"
    if missing:
        dataset.CompletionFlagDescription = _text("; ".join(missing).capitalize()[:64], 64, "remark")
    dataset.VerificationFlag = "UNVERIFIED"
    if summary.signed is not None and whole:
        dataset.VerificationFlag = "VERIFIED"
        dataset.VerifyingObserverSequence = [_observer(summary)]
    dataset.ValueType = "CONTAINER"
    dataset.ConceptNameCodeSequence = [_code(_REPORT)]
    dataset.ContinuityOfContent = "SEPARATE"
    content = [_rx(name, eye) for name, eye in summary.eyes() if eye.lens is not None]
    near_pd = None if summary.near_pd_computed else summary.near_pd  # no concept says that it was reckoned
    for concept, distance in ((_DISTANCE_PD, summary.pd), (_NEAR_PD, near_pd)):
        if distance is not None:
            content.append(_number(concept, f"{distance:g}", _MILLIMETRE))
    dataset.ContentSequence = content
    return dataset


def _no_trial(dataset: Dataset) -> None:
    """The clinical trial modules, saying that there is no trial.

    They are user options in PS3.3, but `dciodvfy` (dicom3tools) requires them for this object, and
    receivers check with it.
    """
    dataset.ClinicalTrialSponsorName = "NONE"
    dataset.ClinicalTrialProtocolID = "NOT A TRIAL"
    dataset.ClinicalTrialProtocolName = ""
    dataset.ClinicalTrialSiteID = ""
    dataset.ClinicalTrialSiteName = ""
    dataset.ClinicalTrialSubjectID = "NONE"
    dataset.ClinicalTrialSubjectReadingID = "NONE"
    dataset.ClinicalTrialTimePointID = ""
    dataset.ClinicalTrialCoordinatingCenterName = ""


def _observer(summary: Summary) -> Dataset:
    from pydicom.dataset import Dataset

    assert summary.signed is not None  # only signed reports have one
    observer = Dataset()
    observer.VerifyingObserverName = _text(summary.signed["by"].replace("^", " ").replace("=", " "), 64, "name")
    observer.VerifyingObserverIdentificationCodeSequence = []
    observer.VerifyingOrganization = _text(f"Licence {summary.signed['licence']}", 64, "licence")
    observer.VerificationDateTime = summary.written.strftime("%Y%m%d%H%M%S") + "+0000"
    return observer


def _rx(name: str, eye: EyeSummary) -> Dataset:
    from pydicom.dataset import Dataset

    assert eye.lens is not None  # only measured eyes are asked for
    item = Dataset()
    item.RelationshipType = "CONTAINS"
    item.ValueType = "CONTAINER"
    item.ConceptNameCodeSequence = [_code(_RX[name])]
    item.ContinuityOfContent = "SEPARATE"
    content = [_number(_SPHERE, f"{eye.lens.sphere / 100:.2f}", _DIOPTRE)]
    if eye.lens.cylinder:
        content.append(_number(_CYLINDER, f"{eye.lens.cylinder / 100:.2f}", _DIOPTRE))
        content.append(_number(_AXIS, str(eye.lens.axis), _DEGREE))
    for concept, power in ((_ADD_NEAR, eye.add), (_ADD_INTERMEDIATE, eye.intermediate)):
        if power:
            content.append(_number(concept, f"{power / 100:.2f}", _DIOPTRE))
    item.ContentSequence = content
    return item


def _number(concept: tuple[str, str, str], value: str, unit: tuple[str, str, str]) -> Dataset:
    from pydicom.dataset import Dataset

    item = Dataset()
    item.RelationshipType = "CONTAINS"
    item.ValueType = "NUM"
    item.ConceptNameCodeSequence = [_code(concept)]
    measured = Dataset()
    measured.NumericValue = value
    measured.MeasurementUnitsCodeSequence = [_code(unit)]
    item.MeasuredValueSequence = [measured]
    return item


def _code(code: tuple[str, str, str]) -> Dataset:
    from pydicom.dataset import Dataset

    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = code
    return item


def _laterality(eyes: set[str]) -> str:
    return {"right": "R", "left": "L"}[next(iter(eyes))] if len(eyes) == 1 else "B"


def is_uid(text: str) -> bool:
    """Whether a text is a DICOM UID: up to 64 digits and dots, no part with a leading zero (PS3.5, 9.1)."""
    return len(text) <= 64 and _UID.fullmatch(text) is not None


def _appointment(summary: Summary) -> dict[str, str]:
    """`study` and `accession` of the worklist's appointment, by which an archive finds what was ordered; what of them
    is there and well formed."""
    held = summary.header.get("appointment")
    held = held if isinstance(held, dict) else {}
    study, accession = str(held.get("study") or ""), str(held.get("accession") or "")
    found = {"study": study} if is_uid(study) else {}
    return found | ({"accession": _text(accession, 16, "accession number")} if len(accession) <= 16 else {})


def _uid(summary: Summary, part: str) -> str:
    """A UID under 2.25 (ISO/IEC 9834-8: a UUID as a decimal number).

    The study stays the same when the exam is amended or signed; the objects then are new ones.
    """
    of = summary.first_hash if part == "study" else summary.last_hash
    return f"2.25.{uuid.uuid5(uuid.NAMESPACE_OID, f'{of} {part}').int}"


def _text(text: str, longest: int, what: str) -> str:
    """Text as DICOM's short strings take it: no backslash, no control characters; raises UserError when too
    long.
    """
    clean = "".join(" " if char == "\\" or not char.isprintable() else char for char in text).strip()
    if len(clean) > longest:
        raise UserError(f"{what}: {clean[:20]!r}... is longer than the {longest} characters DICOM allows")
    return clean


def _date(moment: datetime) -> str:
    return moment.strftime("%Y%m%d")


def _time(moment: datetime) -> str:
    return moment.strftime("%H%M%S")

"""DICOM objects: `dciodvfy` (Debian dicom3tools) finds no error in any of them, and a server gives back
what was sent.

Skipped, loudly, where pydicom, pynetdicom, dciodvfy or Orthanc are not installed.
"""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import urllib.request
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from orthanc_server import orthanc_at
from test_record_fhir import NOT_MEASURED, log_with, summaries

from assistant.errors import UserError
from assistant.optics.acuity import Acuity
from assistant.protocol.effects import EyeResult
from assistant.record.dicom import (
    SPECTACLE_PRESCRIPTION,
    SUBJECTIVE_REFRACTION,
    VISUAL_ACUITY,
    encoded,
    objects,
    write,
)
from assistant.record.dicom_net import send
from assistant.record.log import Log
from assistant.record.summary import Summary, summary_of

pydicom = pytest.importorskip("pydicom", reason="the extra `dicom` is not installed")
dicom = pytest.importorskip("pydicom.filebase")
DicomBytesIO = dicom.DicomBytesIO

WITH_CYLINDER = EyeResult(-150, -50, 90, None, "20/20", "20/100")
PLAIN = EyeResult(25, 0, None, None, "20/25-2", "20/30")


def again(dataset: Any) -> Any:
    return pydicom.dcmread(DicomBytesIO(encoded(dataset)))


def by_class(summary: Summary) -> dict[str, Any]:
    return {str(held.SOPClassUID): again(held) for held in objects(summary)}


def check(path: Path) -> list[str]:
    tool = shutil.which("dciodvfy")
    if tool is None:
        pytest.skip("dciodvfy is not installed (Debian: dicom3tools)")
    told = subprocess.run([tool, "-new", str(path)], capture_output=True, text=True, timeout=60)
    return [line for line in told.stderr.splitlines() if line.startswith("Error")]


@pytest.mark.parametrize("signed", [False, True])
@pytest.mark.parametrize("add", [None, 225])
@pytest.mark.parametrize(
    "eyes",
    [(WITH_CYLINDER, PLAIN), (PLAIN, WITH_CYLINDER), (PLAIN, NOT_MEASURED), (NOT_MEASURED, WITH_CYLINDER)],
    ids=["both", "both-swapped", "right", "left"],
)
def test_the_checker_finds_no_error(
    tmp_path: Path, eyes: tuple[EyeResult, EyeResult], add: int | None, signed: bool
) -> None:
    right, left = (EyeResult(**{**vars(eye), "add": add}) if eye.sphere is not None else eye for eye in eyes)
    paths = write(summary_of(log_with(right, left, 62.5, signed)), tmp_path)
    assert [path.name for path in paths] == ["refraction.dcm", "acuity.dcm", "prescription.dcm"]
    for path in paths:
        assert check(path) == [], path.name


def test_the_checker_finds_errors_where_there_are_some(tmp_path: Path) -> None:
    for dataset in objects(summary_of(log_with(WITH_CYLINDER, PLAIN))):
        del dataset.StudyInstanceUID
        (tmp_path / "broken.dcm").write_bytes(encoded(dataset))
        assert check(tmp_path / "broken.dcm")


@settings(max_examples=40)
@given(summaries)
def test_every_value_is_the_logs(summary: Summary) -> None:
    made = by_class(summary)
    refraction = made[SUBJECTIVE_REFRACTION]
    measured = [name for name, eye in summary.eyes() if eye.lens is not None]
    assert refraction.MeasurementLaterality == ("B" if len(measured) == 2 else measured[0][0].upper())
    for name, eye in summary.eyes():
        items = refraction.get(f"SubjectiveRefraction{name.title()}EyeSequence", [])
        assert len(items) == (eye.lens is not None)
        if eye.lens is None:
            continue
        assert items[0].SpherePower == eye.lens.sphere / 100
        if eye.lens.cylinder:
            assert items[0].CylinderSequence[0].CylinderPower == eye.lens.cylinder / 100
            assert items[0].CylinderSequence[0].CylinderAxis == eye.lens.axis
        else:
            assert "CylinderSequence" not in items[0]
        assert [item.AddPower for item in items[0].get("AddNearSequence", [])] == ([eye.add / 100] if eye.add else [])
    assert refraction.get("DistancePupillaryDistance") == summary.pd

    read = {name: eye.acuity for name, eye in summary.eyes() if eye.acuity is not None}
    assert (VISUAL_ACUITY in made) == bool(read)
    for name, line in read.items():
        (item,) = made[VISUAL_ACUITY][f"VisualAcuity{name.title()}EyeSequence"].value
        assert item.DecimalVisualAcuity == pytest.approx(10 ** -Acuity.parse(line).logmar, abs=1e-4)
    if read:
        (reference,) = made[VISUAL_ACUITY].ReferencedRefractiveMeasurementsSequence
        assert reference.ReferencedSOPInstanceUID == refraction.SOPInstanceUID

    report = made[SPECTACLE_PRESCRIPTION]
    told = {}
    for item in report.ContentSequence:
        name = item.ConceptNameCodeSequence[0].CodeMeaning
        if item.ValueType == "CONTAINER":
            for inner in item.ContentSequence:
                meaning = inner.ConceptNameCodeSequence[0].CodeMeaning
                told[name, meaning] = float(inner.MeasuredValueSequence[0].NumericValue)
    expected = {}
    for name, eye in summary.eyes():
        if eye.lens is not None:
            rx = f"{name.title()} Eye Rx"
            expected[rx, "Power of sphere"] = eye.lens.sphere / 100
            if eye.lens.cylinder:
                expected[rx, "Power of cylinder"] = eye.lens.cylinder / 100
                expected[rx, "Axis of cylinder"] = eye.lens.axis
            if eye.add:
                expected[rx, "Add Near"] = eye.add / 100
    assert told == expected


def test_a_draft_says_so_and_a_signed_one_says_by_whom() -> None:
    draft = by_class(summary_of(log_with(WITH_CYLINDER, PLAIN)))
    assert draft[SPECTACLE_PRESCRIPTION].VerificationFlag == "UNVERIFIED"
    assert all("DRAFT" in held.SeriesDescription for held in draft.values())
    signed = by_class(summary_of(log_with(WITH_CYLINDER, PLAIN, signed=True)))
    report = signed[SPECTACLE_PRESCRIPTION]
    assert report.VerificationFlag == "VERIFIED"
    assert report.VerifyingObserverSequence[0].VerifyingObserverName == "A. Practitioner"
    assert report.VerifyingObserverSequence[0].VerifyingOrganization == "Licence L-1234"
    assert not any("DRAFT" in held.SeriesDescription for held in signed.values())
    assert draft[SPECTACLE_PRESCRIPTION].StudyInstanceUID == report.StudyInstanceUID
    assert draft[SPECTACLE_PRESCRIPTION].SOPInstanceUID != report.SOPInstanceUID
    unfinished = by_class(summary_of(log_with(WITH_CYLINDER, NOT_MEASURED)))
    assert unfinished[SPECTACLE_PRESCRIPTION].CompletionFlag == "PARTIAL"
    one_eye = by_class(summary_of(log_with(WITH_CYLINDER, NOT_MEASURED, signed=True)))[SPECTACLE_PRESCRIPTION]
    assert (one_eye.CompletionFlag, one_eye.CompletionFlagDescription) == (
        "COMPLETE",
        "Left eye not measured",
    )


def test_an_eye_not_completed_is_not_verified_by_a_signature(tmp_path: Path) -> None:
    """Only a complete report may be verified (PS3.3 C.17.2, as `dciodvfy` has it)."""
    doubted = EyeResult(-150, -50, 90, None, None, complete=False)
    summary = summary_of(log_with(doubted, PLAIN, signed=True))
    report = by_class(summary)[SPECTACLE_PRESCRIPTION]
    assert (report.CompletionFlag, report.VerificationFlag) == ("PARTIAL", "UNVERIFIED")
    assert report.CompletionFlagDescription == "Right eye not completed"
    assert "VerifyingObserverSequence" not in report
    assert all(held.SeriesDescription.endswith(", signed, NOT COMPLETE") for held in objects(summary))
    for path in write(summary, tmp_path):
        assert check(path) == [], path.name


def test_a_near_pd_that_was_reckoned_is_not_given_as_a_measurement() -> None:
    measured = replace(summary_of(log_with(WITH_CYLINDER, PLAIN)), near_pd=58.5)
    reckoned = replace(measured, near_pd_computed=True)
    assert by_class(measured)[SUBJECTIVE_REFRACTION].NearPupillaryDistance == 58.5
    assert "NearPupillaryDistance" not in by_class(reckoned)[SUBJECTIVE_REFRACTION]
    for summary, told in ((measured, True), (reckoned, False)):
        report = by_class(summary)[SPECTACLE_PRESCRIPTION]
        names = [item.ConceptNameCodeSequence[0].CodeMeaning for item in report.ContentSequence]
        assert ("Near Pupillary Distance" in names) == told


def test_uids_differ_between_objects_and_stay_for_one_log() -> None:
    first, second = (objects(summary_of(log_with(WITH_CYLINDER, PLAIN))) for _ in range(2))
    assert [held.SOPInstanceUID for held in first] == [held.SOPInstanceUID for held in second]
    assert len({held.SOPInstanceUID for held in first}) == 3
    assert len({held.SeriesInstanceUID for held in first}) == 3
    assert len({held.StudyInstanceUID for held in first}) == 1
    assert all(held.SOPInstanceUID.is_valid for held in first)


def test_the_order_of_the_worklist_is_kept(tmp_path: Path) -> None:
    """Study Instance UID and accession number of the worklist's item are those of the objects (PS3.4, K.6.1.4)."""

    def ordered(appointment: Any) -> list[Any]:
        log = log_with(WITH_CYLINDER, PLAIN)
        header = {"start": {"patient": "K-07"}, "appointment": appointment}
        return objects(summary_of(Log(({**log.events[0], "header": header}, *log.events[1:]))))

    for held in ordered({"study": "1.2.3.40", "accession": "A-4"}):
        assert (held.StudyInstanceUID, held.AccessionNumber) == ("1.2.3.40", "A-4")
        (tmp_path / "one.dcm").write_bytes(encoded(held))
        assert check(tmp_path / "one.dcm") == []
    own = {held.StudyInstanceUID for held in ordered({"study": "", "accession": ""})}
    for unfit in (None, [], {"study": "1.02.3", "accession": "A" * 17}, {"study": "1." + "2" * 63}, {"study": "é"}):
        assert {(held.StudyInstanceUID, held.AccessionNumber) for held in ordered(unfit)} == {(*own, "")}


def test_texts_are_made_fit_and_too_long_ones_refused() -> None:
    log = log_with(WITH_CYLINDER, PLAIN)

    def with_patient(code: str) -> Summary:
        events = ({**log.events[0], "header": {"start": {"patient": code}}}, *log.events[1:])
        return summary_of(Log(events))

    assert by_class(with_patient("K\\07\n"))[SUBJECTIVE_REFRACTION].PatientID == "K 07"
    assert by_class(with_patient("Käse-7"))[SUBJECTIVE_REFRACTION].PatientID == "Käse-7"
    with pytest.raises(UserError, match="longer than the 64 characters"):
        objects(with_patient("K" * 65))
    with pytest.raises(UserError, match="neither eye was measured"):
        objects(summary_of(log_with(NOT_MEASURED, NOT_MEASURED)))


def test_a_file_name_is_taken_too(tmp_path: Path) -> None:
    paths = write(summary_of(log_with(WITH_CYLINDER, PLAIN)), tmp_path / "k07.dcm")
    assert [path.name for path in paths] == ["k07.dcm", "k07-acuity.dcm", "k07-prescription.dcm"]
    assert pydicom.dcmread(paths[0]).SOPClassUID == SUBJECTIVE_REFRACTION
    (tmp_path / "file").write_text("")
    with pytest.raises(UserError, match="cannot be made"):
        write(summary_of(log_with(WITH_CYLINDER, PLAIN)), tmp_path / "file")


# ---------------------------------------------------------------------------------------- sending
@pytest.fixture
def server() -> Iterator[tuple[str, list[Any], list[int]]]:
    """A C-STORE server on loopback: its address, what it stored, and the statuses it answers with."""
    pytest.importorskip("pynetdicom", reason="the extra `dicom` is not installed")
    from pynetdicom import AE, evt

    stored: list[Any] = []
    answers: list[int] = []

    def store(event: Any) -> int:
        dataset = event.dataset
        dataset.file_meta = event.file_meta
        stored.append(dataset)
        return answers.pop(0) if answers else 0

    entity = AE(ae_title="STORE")
    entity.require_called_aet = True
    for uid in (SUBJECTIVE_REFRACTION, VISUAL_ACUITY, SPECTACLE_PRESCRIPTION):
        entity.add_supported_context(uid)
    running = entity.start_server(("127.0.0.1", 0), block=False, evt_handlers=[(evt.EVT_C_STORE, store)])
    yield f"127.0.0.1:{running.server_address[1]}", stored, answers
    running.shutdown()


def test_what_is_sent_arrives_equal(server: tuple[str, list[Any], list[int]]) -> None:
    address, stored, _ = server
    sent = objects(summary_of(log_with(WITH_CYLINDER, PLAIN, signed=True)))
    send(sent, address, "STORE")
    assert [again(held) for held in stored] == [again(held) for held in sent]


def test_a_server_that_refuses_is_told_plainly(server: tuple[str, list[Any], list[int]]) -> None:
    address, stored, answers = server
    sent = objects(summary_of(log_with(WITH_CYLINDER, PLAIN)))
    with pytest.raises(UserError, match="refused the connection: check its AE title"):
        send(sent, address, "OTHER")
    answers[:] = [0, 0xA700]  # out of resources (PS3.4 B.2.3)
    with pytest.raises(UserError, match=r"did not store acuity.dcm: status 0xa700"):
        send(sent, address, "STORE")
    stored.clear()
    answers[:] = [0xB000, 0xB007, 0xB006]  # stored, with warnings
    send(sent, address, "STORE")
    assert len(stored) == 3


def test_a_server_that_takes_no_such_objects_is_told_plainly() -> None:
    pytest.importorskip("pynetdicom", reason="the extra `dicom` is not installed")
    from pynetdicom import AE

    sent = objects(summary_of(log_with(WITH_CYLINDER, PLAIN)))
    for supported, what in (
        ("1.2.840.10008.1.1", r"takes no objects of this kind \(refraction.dcm\)"),  # answers to verification
        ("1.2.840.10008.5.1.4.1.1.2", "ended the connection"),  # only to images
    ):
        entity = AE(ae_title="STORE")
        entity.add_supported_context(supported)
        running = entity.start_server(("127.0.0.1", 0), block=False)
        try:
            with pytest.raises(UserError, match=what):
                send(sent, f"127.0.0.1:{running.server_address[1]}", "STORE")
        finally:
            running.shutdown()


def test_a_server_that_is_not_there_is_told_plainly() -> None:
    pytest.importorskip("pynetdicom", reason="the extra `dicom` is not installed")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        address = f"127.0.0.1:{free.getsockname()[1]}"
    with pytest.raises(UserError, match="does not answer"):
        send(objects(summary_of(log_with(WITH_CYLINDER, PLAIN))), address, "STORE")


@pytest.mark.parametrize("address", ["", "host", "host:", ":104", "host:x", "host:0", "host:70000"])
def test_an_address_that_is_none_is_told_plainly(address: str) -> None:
    with pytest.raises(UserError, match="is not HOST:PORT"):
        send([], address, "STORE")


@pytest.mark.parametrize("title", ["", "A" * 17, "ÄE", "A\\B", "   "])
def test_a_title_that_is_none_is_told_plainly(title: str) -> None:
    with pytest.raises(UserError, match="is no AE title"):
        send([], "127.0.0.1:104", title)


@pytest.fixture
def orthanc(tmp_path: Path) -> Iterator[tuple[str, str]]:
    """A real Orthanc on loopback: DICOM and web address."""
    with orthanc_at(tmp_path, {"DicomAlwaysAllowStore": True, "Plugins": []}) as addresses:
        yield addresses


def test_a_real_server_gives_back_equal_objects(orthanc: tuple[str, str]) -> None:
    pytest.importorskip("pynetdicom", reason="the extra `dicom` is not installed")
    address, web = orthanc
    sent = objects(summary_of(log_with(WITH_CYLINDER, PLAIN, signed=True)))
    send(sent, address, "ORTHANC")
    with urllib.request.urlopen(f"{web}/instances", timeout=10) as answer:
        instances = json.load(answer)
    assert len(instances) == 3
    stored = {}
    for instance in instances:
        with urllib.request.urlopen(f"{web}/instances/{instance}/file", timeout=10) as answer:
            held = pydicom.dcmread(DicomBytesIO(answer.read()))
        stored[held.SOPInstanceUID] = held
    for dataset in sent:
        assert stored[dataset.SOPInstanceUID] == again(dataset)

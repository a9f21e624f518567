"""The patient's code from a DICOM modality worklist: asked of a real server, and of one that misbehaves.

Skipped, loudly, where pydicom, pynetdicom or Orthanc (with its worklist plugin) are not installed.
"""

from __future__ import annotations

import io
import json
import socket
import warnings
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from orthanc_server import orthanc_at

from assistant.cli import main
from assistant.errors import UserError
from assistant.record.dicom_net import Appointment, ask_worklist
from assistant.record.folder import log_of

pydicom = pytest.importorskip("pydicom", reason="the extra `dicom` is not installed")
pytest.importorskip("pynetdicom", reason="the extra `dicom` is not installed")

PLUGIN = Path("/usr/share/orthanc/plugins/libModalityWorklists.so")
TODAY, OTHER_DAY = f"{date.today():%Y%m%d}", "20300102"
NAME = "Secret^Name"


def scheduled(patient: str, accession: str, day: str, time: str) -> Any:
    """An item of a worklist with all that PS3.4 table K.6-1 requires; the codes are invented."""
    item, step = pydicom.Dataset(), pydicom.Dataset()
    item.SpecificCharacterSet = "ISO_IR 192"
    item.PatientName, item.PatientID, item.PatientBirthDate, item.PatientSex = NAME, patient, "19500101", "O"
    item.AccessionNumber, item.ReferringPhysicianName = accession, ""
    item.StudyInstanceUID = pydicom.uid.generate_uid(entropy_srcs=[accession or patient])
    item.RequestedProcedureID = item.RequestedProcedureDescription = "refraction"
    step.ScheduledStationAETitle, step.Modality = "HANDSFREE", "SRF"
    step.ScheduledProcedureStepStartDate, step.ScheduledProcedureStepStartTime = day, time
    step.ScheduledPerformingPhysicianName = ""
    step.ScheduledProcedureStepID = step.ScheduledProcedureStepDescription = "refraction"
    item.ScheduledProcedureStepSequence = [step]
    return item


WAITING = (
    scheduled("K-07", "A-1", TODAY, "093000"),
    scheduled("K-07", "A-2", TODAY, "094500"),
    scheduled("K-08", "A-3", TODAY, "101500"),
    scheduled("K-071", "A-4", OTHER_DAY, "080000"),
)


@pytest.fixture(scope="module")
def orthanc(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A real Orthanc whose worklist plugin knows four appointments of three patients."""
    if not PLUGIN.is_file():
        pytest.skip(f"Orthanc's worklist plugin is not installed (Debian: orthanc; {PLUGIN})")
    folder = tmp_path_factory.mktemp("orthanc")
    (folder / "waiting").mkdir()
    for number, item in enumerate(WAITING):
        item.file_meta = pydicom.dataset.FileMetaDataset()
        item.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.31"
        item.file_meta.MediaStorageSOPInstanceUID = pydicom.uid.generate_uid(entropy_srcs=[str(number)])
        item.file_meta.TransferSyntaxUID = "1.2.840.10008.1.2.1"
        item.save_as(folder / "waiting" / f"{number}.wl", enforce_file_format=True)
    settings = {
        "Plugins": [str(PLUGIN)],
        "Worklists": {"Enable": True, "Database": str(folder / "waiting")},
        "DicomAlwaysAllowFindWorklist": True,
    }
    with orthanc_at(folder, settings) as (address, _):
        yield address


@pytest.fixture
def exam(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Any:
    """Run `exam` on no answers at all: its exit code, standard error, and the code in its log (None: no exam made)."""

    def run(*options: str) -> tuple[int, str, str | None]:
        out = tmp_path / "exam"
        monkeypatch.setattr("sys.stdin", io.StringIO(""))
        code = main(["exam", "--listen", "text", "--out", str(out), *options])
        told = capsys.readouterr().err
        if not out.exists():
            return code, told, None
        log = log_of(out)
        assert NAME not in (out / "exam.jsonl").read_text()
        assert NAME not in told
        return code, told, log.header["start"].get("patient")

    return run


def test_a_real_worklist_is_asked_by_day_code_and_number(orthanc: str) -> None:
    def codes(*asked: Any) -> list[tuple[str, str]]:
        return [(step.patient, step.accession) for step in ask_worklist(orthanc, "ORTHANC", *asked)]

    assert codes(date.today()) == [("K-07", "A-1"), ("K-07", "A-2"), ("K-08", "A-3")]
    assert codes(None, "K-07") == [("K-07", "A-1"), ("K-07", "A-2")]  # and not K-071
    assert codes(None, None, "A-4") == [("K-071", "A-4")]
    assert codes(None, "K-08", "A-1") == []
    assert codes(date(2030, 1, 3)) == []
    (step,) = ask_worklist(orthanc, "ORTHANC", None, None, "A-3")
    assert step == Appointment("K-08", "A-3", TODAY, "1015", str(WAITING[2].StudyInstanceUID))
    assert str(step) == f"K-08, accession number A-3, {date.today()} 10:15"


def test_the_code_of_a_real_worklist_goes_into_the_log(orthanc: str, exam: Any) -> None:
    code, told, patient = exam("--worklist", orthanc, "--aet", "ORTHANC", "--accession", "A-4")
    assert (code, patient) == (0, "K-071")
    assert "worklist: patient K-071, accession number A-4, 2030-01-02 08:00" in told


def test_the_order_of_a_real_worklist_goes_into_the_log(orthanc: str, exam: Any, tmp_path: Path) -> None:
    """An archive finds what was ordered by these two (PS3.4 table K.6-1); the export has them: `test_record_dicom`."""
    exam("--worklist", orthanc, "--aet", "ORTHANC", "--accession", "A-4")
    study = str(WAITING[3].StudyInstanceUID)
    assert log_of(tmp_path / "exam").header["appointment"] == {"accession": "A-4", "study": study}


def test_one_patient_with_two_steps_is_one_patient(orthanc: str, exam: Any, tmp_path: Path) -> None:
    code, told, patient = exam("--worklist", orthanc, "--aet", "ORTHANC", "--patient", "K-07")
    assert (code, patient) == (0, "K-07")
    assert "patient K-07 is on it for A-1, A-2: the exam is filed under none; --accession chooses one" in told
    assert log_of(tmp_path / "exam").header["appointment"] == {"accession": "", "study": ""}


def test_of_several_patients_none_is_taken(orthanc: str, exam: Any) -> None:
    code, told, patient = exam("--worklist", orthanc, "--aet", "ORTHANC")
    assert (code, patient) == (1, None)
    assert [line.split(",")[0] for line in told.splitlines()[:3]] == ["K-07", "K-07", "K-08"]
    assert "2 patients are on the worklist: choose by --accession or --patient" in told.splitlines()[-1]


def test_nobody_found_is_one_plain_line(orthanc: str, exam: Any) -> None:
    code, told, patient = exam("--worklist", orthanc, "--aet", "ORTHANC", "--patient", "K-99")
    assert (code, patient, len(told.splitlines())) == (1, None, 1)
    assert "has nobody with this code or number" in told


def test_the_file_of_another_patient_is_refused(orthanc: str, exam: Any, tmp_path: Path) -> None:
    (tmp_path / "start.json").write_text(json.dumps({"patient": "K-08", "age": 52}))
    start = ("--start", str(tmp_path / "start.json"))
    code, told, patient = exam("--worklist", orthanc, "--aet", "ORTHANC", "--accession", "A-1", *start)
    assert (code, patient) == (1, None)
    assert "the start file is of patient K-08, not K-07" in told
    assert exam(*start, "--patient", "K-07")[0] == 1
    assert exam(*start, "--patient", "K-08")[::2] == (0, "K-08")


def test_a_code_is_given_without_a_worklist(exam: Any) -> None:
    assert exam("--patient", "K-12")[::2] == (0, "K-12")


@pytest.mark.parametrize("patient", ["", "   ", "K\n07", "K" * 65])
def test_what_is_no_code_is_refused(exam: Any, patient: str) -> None:
    code, told, known = exam("--patient", patient)
    assert (code, known) == (1, None)
    assert "is no code" in told


@pytest.mark.parametrize(
    "options", [("--worklist", "127.0.0.1:104"), ("--aet", "WORK"), ("--accession", "A-1"), ("--patient",)]
)
def test_options_that_do_not_go_together_are_wrong_usage(options: tuple[str, ...]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["exam", *options])
    assert ended.value.code == 2


@pytest.fixture
def server() -> Iterator[tuple[str, list[Any], list[Any]]]:
    """A worklist server written for the test: its address, the questions it got, and the (status, answer) it gives."""
    from pynetdicom import AE, evt

    asked: list[Any] = []
    answers: list[Any] = []

    def find(event: Any) -> Iterator[tuple[int, Any]]:
        asked.append(event.identifier)
        yield from answers

    entity = AE(ae_title="WORK")
    entity.require_called_aet = True
    entity.add_supported_context("1.2.840.10008.5.1.4.31")
    running = entity.start_server(("127.0.0.1", 0), block=False, evt_handlers=[(evt.EVT_C_FIND, find)])
    yield f"127.0.0.1:{running.server_address[1]}", asked, answers
    running.shutdown()


def test_only_the_keys_leave(server: tuple[str, list[Any], list[Any]]) -> None:
    address, asked, _ = server
    assert ask_worklist(address, "WORK", date(2030, 1, 2), "K-07", "A-1") == []
    (question,) = asked
    sent = {element.keyword: element.value for element in question.iterall() if element.VR != "SQ"}
    assert sent == {
        "SpecificCharacterSet": "ISO_IR 192",
        "PatientID": "K-07",
        "AccessionNumber": "A-1",
        "StudyInstanceUID": "",  # a return key
        "ScheduledProcedureStepStartDate": "20300102",
        "ScheduledProcedureStepStartTime": "",
    }


def test_a_server_that_matches_nothing_hands_over_no_other_patient(server: tuple[str, list[Any], list[Any]]) -> None:
    address, _, answers = server
    answers[:] = [(0xFF00, item) for item in WAITING]
    assert [step.accession for step in ask_worklist(address, "WORK", None, "K-07")] == ["A-1", "A-2"]
    answers[:] = [(0xFF01, item) for item in WAITING]  # one more, though not all keys were matched
    assert [step.accession for step in ask_worklist(address, "WORK", date(2030, 1, 2))] == ["A-4"]


def test_half_a_worklist_is_none(server: tuple[str, list[Any], list[Any]]) -> None:
    address, _, answers = server
    answers[:] = [(0xFF00, WAITING[0]), (0xA700, None)]  # out of resources (PS3.4 K.4.1.1.4)
    with pytest.raises(UserError, match="did not answer the question: status 0xa700"):
        ask_worklist(address, "WORK", None)
    answers[:] = [(0xFF00, WAITING[0])] * 1002
    with pytest.raises(UserError, match="more than 1000 steps"):
        ask_worklist(address, "WORK", None)


def test_a_patient_without_a_code_is_not_taken(server: tuple[str, list[Any], list[Any]], exam: Any) -> None:
    address, _, answers = server
    answers[:] = [(0xFF00, scheduled("", "A-5", TODAY, ""))]
    code, told, patient = exam("--worklist", address, "--aet", "WORK")
    assert (code, patient) == (1, None)
    assert "(no patient code), accession number A-5" in told


def test_what_a_server_sends_is_shown_as_plain_text(server: tuple[str, list[Any], list[Any]], exam: Any) -> None:
    address, _, answers = server
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pydicom's: these values break the standard's rules
        answers[:] = [(0xFF00, scheduled("K-09\x1b[2J\r\n", "A\x07", TODAY, "1"))]
    code, told, patient = exam("--worklist", address, "--aet", "WORK")
    assert (code, patient) == (0, "K-09 [2J")
    assert all(char.isprintable() or char == "\n" for char in told)


def test_a_server_that_is_not_there_or_refuses_is_told_plainly(server: tuple[str, list[Any], list[Any]]) -> None:
    address, asked, _ = server
    with pytest.raises(UserError, match=r"refused the connection: check its AE title \(--aet OTHER\)"):
        ask_worklist(address, "OTHER", None)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        nobody = f"127.0.0.1:{free.getsockname()[1]}"
    with pytest.raises(UserError, match="does not answer"):
        ask_worklist(nobody, "WORK", None)
    with pytest.raises(UserError, match=r"--worklist: 'host' is not HOST:PORT"):
        ask_worklist("host", "WORK", None)
    assert asked == []


@pytest.mark.parametrize("patient", ["*", "K-0?", "K\\07", "", "K" * 65])
def test_a_code_that_could_mean_others_is_not_asked_for(patient: str) -> None:
    with pytest.raises(UserError, match=r"--patient: .* is no code to look for"):
        ask_worklist("127.0.0.1:1", "WORK", None, patient)


def test_a_server_of_another_kind_is_told_plainly() -> None:
    from pynetdicom import AE

    entity = AE(ae_title="WORK")
    entity.add_supported_context("1.2.840.10008.1.1")  # answers to verification alone
    running = entity.start_server(("127.0.0.1", 0), block=False)
    try:
        with pytest.raises(UserError, match="ended the connection: is it a worklist server"):
            ask_worklist(f"127.0.0.1:{running.server_address[1]}", "WORK", None)
    finally:
        running.shutdown()

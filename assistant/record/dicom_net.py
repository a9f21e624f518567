"""Speaking with the DICOM server the user names, and with no other: storing the exam's objects on it (C-STORE),
asking its worklist for the patient's code (C-FIND).

Source: DICOM PS3.4, annexes B (storage) and K (modality worklist), PS3.7 for the status codes. Neither happens
unless the user asks for it.
"""

from __future__ import annotations

import logging
import re
import socket
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from ..errors import UserError
from .dicom import EXPLICIT_LITTLE_ENDIAN, INSTALL, NAMES, is_uid

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

_VERIFICATION = "1.2.840.10008.1.1"
_WORKLIST = "1.2.840.10008.5.1.4.31"  # Modality Worklist Information Model - FIND
_IMPLICIT_LITTLE_ENDIAN = "1.2.840.10008.1.2"  # the one transfer syntax that every server has
_ANSWER_WITHIN = 30.0  # seconds; a design choice
_TITLE = re.compile(r"[ !-\[\]-~]{1,16}")  # value representation AE: plain ASCII but the backslash
_WILD = set("*?\\")  # would match other patients' codes (PS3.4 C.2.2.2.4), or more than one value
_MOST_STEPS = 1000  # of a worklist that are read: no clinic has more in a day, and a server may be out of order
_CALLING = "HANDSFREE"


def send(datasets: list[Any], address: str, called: str) -> None:
    """Store the objects on a DICOM server by C-STORE (PS3.4 B). `address` is HOST:PORT, `called` its AE title.

    Raises UserError where the server cannot be reached, refuses, or does not store one of them.
    """
    contexts = {uid: [EXPLICIT_LITTLE_ENDIAN] for uid in (_VERIFICATION, *(str(held.SOPClassUID) for held in datasets))}
    with _associated("--send", address, called, contexts, "is it a DICOM server that takes these objects?") as server:
        for dataset in datasets:
            name = NAMES[str(dataset.SOPClassUID)]
            try:
                status = server.send_c_store(dataset)
            except ValueError:
                raise UserError(f"{address} takes no objects of this kind ({name}); some may be stored") from None
            code = status.get("Status")
            if code is None:
                raise UserError(f"{address} stopped answering while {name} was sent; send again")
            if code != 0 and code & 0xF000 != 0xB000:  # 0xBxxx: stored, with a warning (PS3.4 B.2.3)
                raise UserError(f"{address} did not store {name}: status {code:#06x}")


@dataclass(frozen=True)
class Appointment:
    """One scheduled procedure step of a worklist: the patient's code (Patient ID), and what tells it from others.

    `day` is YYYYMMDD and `time` HHMM; `study` the Study Instance UID that its objects are to be filed under. They and
    the accession number may be empty.
    """

    patient: str
    accession: str
    day: str
    time: str
    study: str = ""

    def __str__(self) -> str:
        at = " ".join(part for part in (_dashed(self.day), _colon(self.time)) if part)
        accession = f"accession number {self.accession}" if self.accession else "no accession number"
        return f"{self.patient or '(no patient code)'}, {accession}" + (f", {at}" if at else "")


def ask_worklist(
    address: str, called: str, day: date | None, patient: str | None = None, accession: str | None = None
) -> list[Appointment]:
    """The scheduled steps of a modality worklist (C-FIND, PS3.4 K) that match all that is given, by day and time.

    Nothing but the keys given is sent, and neither names nor dates of birth are asked for. What a server gives
    beyond what was asked - some match on fewer keys - is left out here. Raises UserError where it cannot be
    reached, refuses, or does not finish its answer: half a worklist could hide the second of two patients.
    """
    for option, key, longest in (("--patient", patient, 64), ("--accession", accession, 16)):
        if key is None:
            continue
        if not key.strip() or len(key) > longest or not key.isprintable() or set(key) & _WILD:
            raise UserError(f"{option}: {key!r} is no code to look for: 1 to {longest} characters, no * ? or backslash")
    query = _query(day, patient, accession)
    contexts = {_WORKLIST: [EXPLICIT_LITTLE_ENDIAN, _IMPLICIT_LITTLE_ENDIAN]}
    found: list[Appointment] = []
    with (
        warnings.catch_warnings(),
        _associated("--worklist", address, called, contexts, "is it a worklist server?") as server,
    ):
        warnings.simplefilter("ignore")  # pydicom's, of values that break a rule: they are shown and chosen from
        for count, (status, answer) in enumerate(server.send_c_find(query, _WORKLIST)):
            code = status.get("Status")
            if code is None:
                raise UserError(f"{address} stopped answering; ask again, or start without --worklist")
            if code not in (0x0000, 0xFF00, 0xFF01):  # done, or one more match (PS3.4 K.4.1.1.4)
                raise UserError(f"{address} did not answer the question: status {code:#06x}")
            if count >= _MOST_STEPS:
                raise UserError(f"{address} gives more than {_MOST_STEPS} steps: say --patient or --accession")
            if code:
                found += _appointments(address, answer)
    wanted = {"patient": patient, "accession": accession, "day": None if day is None else f"{day:%Y%m%d}"}
    asked = {key: value.strip() for key, value in wanted.items() if value is not None}
    found = [step for step in found if all(getattr(step, key) == value for key, value in asked.items())]
    return sorted(set(found), key=lambda step: (step.day, step.time, step.patient, step.accession))


def _query(day: date | None, patient: str | None, accession: str | None) -> Dataset:
    try:
        from pydicom.dataset import Dataset
    except ImportError:
        raise UserError(f"a worklist needs the pydicom package: {INSTALL}") from None
    query, step = Dataset(), Dataset()
    query.SpecificCharacterSet = "ISO_IR 192"
    query.PatientID = (patient or "").strip()
    query.AccessionNumber = (accession or "").strip()
    query.StudyInstanceUID = ""
    step.ScheduledProcedureStepStartDate = "" if day is None else f"{day:%Y%m%d}"
    step.ScheduledProcedureStepStartTime = ""
    query.ScheduledProcedureStepSequence = [step]
    return query


def _appointments(address: str, answer: Dataset | None) -> list[Appointment]:
    try:
        if answer is None:
            raise ValueError("not a data set")
        patient, accession = _plain(answer, "PatientID"), _plain(answer, "AccessionNumber")
        study = _plain(answer, "StudyInstanceUID")
        return [
            Appointment(
                patient,
                accession,
                _plain(step, "ScheduledProcedureStepStartDate"),
                _plain(step, "ScheduledProcedureStepStartTime")[:4],
                study if is_uid(study) else "",
            )
            for step in answer.get("ScheduledProcedureStepSequence") or [answer]
        ]
    except Exception as error:  # pydicom decodes when asked, and raises as many kinds of error as there are faults
        raise UserError(
            f"{address}: its worklist cannot be read ({error}); say --patient CODE without --worklist"
        ) from None


def _plain(dataset: Dataset, keyword: str) -> str:
    """A text of the server's as one printable line: it is shown on a terminal, and goes into the log."""
    value = str(dataset.get(keyword) or "")
    return "".join(char if char.isprintable() else " " for char in value).strip()[:64]


def _dashed(day: str) -> str:
    return f"{day[:4]}-{day[4:6]}-{day[6:]}" if len(day) == 8 else day


def _colon(time: str) -> str:
    return f"{time[:2]}:{time[2:]}" if len(time) == 4 else time


@contextmanager
def _associated(
    option: str, address: str, called: str, contexts: Mapping[str, list[str]], refusal: str
) -> Iterator[Any]:
    """An association with the server, released in the end. Raises UserError where there is none to be had."""
    host, port = _address(option, address)
    if not _TITLE.fullmatch(called) or not called.strip():
        raise UserError(f"--aet: {called!r} is no AE title; 1 to 16 plain characters")
    try:
        from pynetdicom import AE
    except ImportError:
        raise UserError(f"{option} needs the pynetdicom package: {INSTALL}") from None
    logging.getLogger("pynetdicom").setLevel(logging.CRITICAL + 1)  # what it would log is told by UserErrors
    try:
        socket.create_connection((host, port), _ANSWER_WITHIN).close()
    except OSError as error:
        raise UserError(f"{address} does not answer: {error.strerror or error}") from None
    entity = AE(ae_title=_CALLING)
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = _ANSWER_WITHIN
    for syntax, transfers in contexts.items():
        entity.add_requested_context(syntax, transfers)
    association = entity.associate(host, port, ae_title=called)
    if not association.is_established:
        if association.is_rejected:
            raise UserError(
                f"{address} refused the connection: check its AE title (--aet {called}), and that it knows {_CALLING}"
            )
        raise UserError(f"{address} ended the connection: {refusal}")
    try:
        yield association
    finally:
        association.release()


def _address(option: str, address: str) -> tuple[str, int]:
    host, colon, port = address.rpartition(":")
    if not colon or not host or not port.isascii() or not port.isdigit() or not 1 <= int(port) <= 65535:
        raise UserError(f"{option}: {address!r} is not HOST:PORT, such as 192.0.2.7:104")
    return host, int(port)

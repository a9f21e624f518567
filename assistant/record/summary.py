"""One exam as exports and comparisons need it: the prescription that stands, who signed it, and what led to
it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from ..errors import UserError
from ..optics.acuity import Acuity, AcuityError
from ..optics.lens import Lens, LensError
from .events import Event
from .folder import LOG
from .log import Log, Problem, check_lines, moment, parse
from .prescription import flags_in_force, last_prescription, left_open, lens_of, not_confirmed, signature_in_force
from .shape import faults
from .signing import KeysMissing, check_signatures


@dataclass(frozen=True)
class EyeSummary:
    """One eye of the prescription. `lens` is None where it was not measured; `add` in hundredths of a
    dioptre.
    """

    lens: Lens | None
    add: int | None = None
    acuity: str | None = None
    entering_acuity: str | None = None
    complete: bool = True
    questions: int = 0
    unaided_acuity: str | None = None
    intermediate: int | None = None
    examined: bool = True

    @property
    def remark(self) -> str | None:
        """What must be known before this eye's lens is made, or None."""
        if self.lens is None:
            return "not measured"
        if not self.examined:
            return "carried over, not found in this exam"
        return None if self.complete else "not completed"


@dataclass(frozen=True)
class Summary:
    """One exam.

    status     draft, or active once signed
    amended    it was signed before, and changed since
    signed     {by, licence, at, method ...} of the signature in force, or None
    written    when the prescription that stands was written (signed, where it is)
    pd, near_pd, vertex   millimetres, where they are known
    acuity_both, near_acuity  with both eyes; near at `working_distance` centimetres
    near_pd_computed  the near PD was reckoned from the distance PD, not measured
    left_open  what was begun and not brought to its end, in words; of that, `unconfirmed` at read-back
    flags      the cautions in force, as events
    """

    patient: str | None
    age: int | None
    begun: datetime
    written: datetime
    right: EyeSummary
    left: EyeSummary
    pd: float | None
    near_pd: float | None
    near_pd_computed: bool
    vertex: float | None
    acuity_both: str | None
    near_acuity: str | None
    working_distance: int | None
    status: str
    amended: bool
    signed: dict[str, Any] | None
    left_open: tuple[str, ...]
    unconfirmed: str | None
    flags: tuple[Event, ...]
    events: int
    first_hash: str
    last_hash: str
    header: dict[str, Any]

    @property
    def is_draft(self) -> bool:
        return self.signed is None

    def eyes(self) -> tuple[tuple[str, EyeSummary], tuple[str, EyeSummary]]:
        return ("right", self.right), ("left", self.left)


def read_summary(folder: Path) -> Summary:
    """The summary of an exam folder. Raises UserError where the log does not hold or has no prescription: a
    record that was changed is not sent on.
    """
    path = folder / LOG
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise UserError(f"{folder} holds no exam ({LOG} is missing): give the folder of an exam") from None
    except OSError as error:
        raise UserError(f"{path} cannot be read: {error.strerror}") from None
    problems = [problem for problem in check_lines(raw) if not problem.torn]
    if problems:
        raise UserError(f"{path}: {problems[0]}. Run verify on the folder")
    log = parse(raw, path)
    for line, what in faults(log.events):
        raise UserError(f"{path}: {Problem(line, what)}. Run verify on the folder")
    try:
        false = check_signatures(log)
    except KeysMissing:
        false = []
    if false:
        raise UserError(f"{path}: {false[0]}. Run verify on the folder")
    try:
        return summary_of(log)
    except UserError as error:
        raise UserError(f"{folder}: {error}") from None


def summary_of(log: Log) -> Summary:
    """The summary of a log. Raises UserError where it has no prescription, or one that makes no lens."""
    held = last_prescription(log.events)
    if held is None:
        raise UserError("the exam has no prescription yet: go on with it by resume")
    start = log.header.get("start")
    start = start if isinstance(start, dict) else {}
    force = signature_in_force(log.events)
    questions = {"right": 0, "left": 0}
    for asked in log.of_kind("question"):
        if asked["eye"] in questions and not asked.get("attempt"):
            questions[asked["eye"]] += 1
    try:
        eyes = [_eye(held[eye], questions[eye]) for eye in ("right", "left")]
    except (LensError, AcuityError, KeyError, TypeError) as error:
        raise UserError(f"its prescription (event {held['seq']}) is none: {error}") from None
    return Summary(
        patient=None if start.get("patient") is None else str(start["patient"]),
        age=age_of(log, start.get("age")),
        begun=moment(log.events[0]),
        written=moment(held if force is None else force),
        right=eyes[0],
        left=eyes[1],
        pd=held.get("pd"),
        near_pd=held.get("near_pd"),
        near_pd_computed=bool(held.get("near_pd_computed")),
        vertex=start.get("vertex") if held.get("vertex") is None else held["vertex"],
        acuity_both=held.get("acuity_both"),
        near_acuity=held.get("near_acuity"),
        working_distance=held.get("working_distance"),
        status="draft" if force is None else "active",
        amended=force is None and any(event.get("signed") for event in log.of_kind("prescription")),
        signed=None if force is None else force["signed"],
        left_open=tuple(left_open(held)),
        unconfirmed=not_confirmed(held),
        flags=tuple(flags_in_force(log)),
        events=len(log.events),
        first_hash=log.events[0]["hash"],
        last_hash=log.last_hash,
        header=dict(log.header),
    )


def _eye(held: Event, questions: int) -> EyeSummary:
    for key in ("acuity", "entering_acuity", "unaided_acuity"):
        if held.get(key) is not None:
            Acuity.parse(held[key])
    return EyeSummary(
        lens=lens_of(held),
        add=None if held.get("add") is None else round(held["add"] * 100),
        acuity=held.get("acuity"),
        entering_acuity=held.get("entering_acuity"),
        complete=held.get("complete", True),
        questions=questions,
        unaided_acuity=held.get("unaided_acuity"),
        intermediate=None if held.get("intermediate") is None else round(held["intermediate"] * 100),
        examined=held.get("examined", True),
    )


def age_of(log: Log, given: object) -> int | None:
    """The age the exam went by: the last one heard, else the one `given` in the start data."""
    ages = [
        held["value"]
        for held in log.of_kind("heard")
        if held["meaning"] == "set_age" and held["accepted"] and (held.get("used") or "amends" in held)
    ]
    age = ages[-1] if ages else given
    return int(age) if isinstance(age, (int, float)) else None

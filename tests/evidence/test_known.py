"""The intervals a draft states: those of the posterior, outward, and none where nothing can be said."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from assistant.data import grammar_sources
from assistant.evidence import Evidence
from assistant.evidence.intervals import quantiles
from assistant.evidence.known import interval
from assistant.evidence.together import weigh
from assistant.grammar import Grammars
from assistant.patients.cohort import Cohort, draw_patient, sit
from assistant.patients.eye import Eye as VirtualEye
from assistant.patients.patient import STEADY, VirtualPatient
from assistant.protocol.exam import Exam
from assistant.protocol.progress import EyeProgress
from assistant.protocol.start import Start
from assistant.record.events import Event, event, prescription_from_event
from assistant.record.prescription import interval_written
from assistant.record.report.frame import interval_of
from assistant.session import Session
from assistant.watching import prescription_lines


@pytest.fixture(scope="module")
def done() -> tuple[VirtualPatient, Exam]:
    patient, start = draw_patient(Cohort(kind="steady", seed=2), 1)
    exam = Exam(start, weigh)
    sit(patient, exam)
    return patient, exam


def spans_of(progress: EyeProgress) -> dict[str, list[float]]:
    said: Any = interval(progress)
    assert said is not None
    return {name: list(said[name]) for name in ("sphere", "cylinder", "axis") if name in said}


def test_the_interval_is_the_posteriors_rounded_outward(done: tuple[VirtualPatient, Exam]) -> None:
    for progress in (done[1].state.right, done[1].state.left):
        said, spans = spans_of(progress), Evidence.of(progress).intervals(0.95)
        for name, span in (("sphere", spans.sphere), ("cylinder", spans.cylinder)):
            low, high = said[name]
            assert low <= span.low < low + 0.0101
            assert high - 0.0101 < span.high <= high
        if "axis" in said:
            low, high = said["axis"]
            assert 1 <= low <= 180
            assert 2 * spans.axis.half <= high - low <= 2 * spans.axis.half + 2
            assert spans.axis.holds((low + high) / 2)


def test_an_axis_about_180_goes_over_it() -> None:
    eyes = VirtualEye.of(-1.0, -2.0, 1), VirtualEye.of(-1.0, -2.0, 179)
    patient = VirtualPatient(*eyes, STEADY, seed=3, age=64)
    exam = Exam(Start(), weigh)
    sit(patient, exam)
    spans = [spans_of(progress)["axis"] for progress in (exam.state.right, exam.state.left)]
    assert all(low <= 180 < high for low, high in spans)
    assert all(interval_of({"interval": {"axis": span}})["axis"] == tuple(span) for span in spans)


def test_nothing_is_said_where_nothing_can_be(done: tuple[VirtualPatient, Exam]) -> None:
    progress = done[1].state.right
    assert interval(replace(progress, begun=False)) is None
    assert interval(replace(progress, doubts=("position_bias",))) is None
    lines = tuple(one for one in progress.answers if one.question.form != "choice")
    assert interval(replace(progress, answers=lines)) is None
    first = next(one for one in progress.answers if one.question.form == "choice")
    assert Evidence.of(replace(progress, answers=(first,))).intervals(0.95).sphere.width > 20  # dioptres
    assert interval(replace(progress, answers=(first,))) is None


def test_the_draft_states_them_and_is_written_and_read() -> None:
    patient, start = draw_patient(Cohort(kind="steady", seed=2), 1)
    events: list[Event] = []
    session = Session(Grammars(grammar_sources()), start, watch=(events.append,))
    session.begin()
    while session.question is not None:
        session.take(patient.reply(session.question).heard())
    draft = next(held for held in events if held["kind"] == "prescription")
    for eye, progress in (("right", session.exam.state.right), ("left", session.exam.state.left)):
        said = draft[eye]["interval"]
        assert said == interval(progress)
        assert set(interval_of(draft[eye])) >= {"sphere", "cylinder"}
        assert f"{said['sphere'][0]:+.2f} to {said['sphere'][1]:+.2f}" in (interval_written(draft[eye]) or "")
        assert ("", interval_written(draft[eye])) in prescription_lines(draft)
    assert event(prescription_from_event(draft))["right"]["interval"] == draft["right"]["interval"]


@pytest.mark.parametrize("held", [None, 3, {}, {"sphere": 1}, {"sphere": [1]}, {"sphere": ["a", "b"]}])
def test_what_is_no_interval_is_not_written(held: object) -> None:
    assert interval_written({"interval": held}) is None


def test_intervals_as_they_are_written() -> None:
    held = {"sphere": [-1.6, -1.21], "cylinder": [-0.72, 0.0], "axis": [175, 188]}
    assert (
        interval_written({"interval": held}) == "95 %: sphere -1.60 to -1.21, cylinder -0.72 to +0.00, axis 175 to 008"
    )


def test_an_unsteady_persons_interval_is_drawn_out_further() -> None:
    """Against the posterior's own quantiles: drawn in a little for a steady person, out for one who strays."""
    widened = {}
    for kind in ("steady", "inconsistent"):
        stretches = []
        for number in range(2):
            patient, start = draw_patient(Cohort(kind=kind, seed=6), number)
            exam = Exam(start, weigh)
            sit(patient, exam)
            for progress in (exam.state.right, exam.state.left):
                evidence = Evidence.of(progress)
                cloud = evidence._cloud
                own = quantiles(cloud.theta[0], cloud.weights, (0.025, 0.975))
                stretches.append(evidence.intervals(0.95).m.width / (own[1] - own[0]))
        widened[kind] = sum(stretches) / len(stretches)
    assert 0.84 < widened["steady"] < 1.0
    assert 1.2 < widened["inconsistent"] < 1.91

"""The pace led by evidence: legal pairs, ends that are reached, the same replay, fewer questions for as good a lens.

What a step may show and when it must end is common practice or a design choice of the protocol, no source.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from sitting import honest
from sitting import sit as sit_through
from test_properties_exam import STARTS, Dials, alike

from assistant.data import grammar_sources
from assistant.evidence.together import weigh
from assistant.grammar import Grammars
from assistant.optics.lens import Lens
from assistant.patients.cohort import Cohort, Tally, draw_patient, exam_of, exams, sit
from assistant.protocol import plan
from assistant.protocol.effects import Ask, Effect
from assistant.protocol.exam import Exam, State
from assistant.protocol.eye import on_the_dials
from assistant.protocol.instrument import Instrument
from assistant.protocol.meanings import Heard, Meaning, Outcome
from assistant.protocol.questions import AcuityQuestion, Choice, Legible, Question
from assistant.protocol.start import Manner, Start, StartError, StartEye
from assistant.protocol.steps.led import IDS, Led
from assistant.record.folder import ExamFolder, log_of
from assistant.record.replay import replay
from assistant.record.starts import start_from_dict, start_to_dict
from assistant.session import Session

LED = Manner(pace="evidence")


class Sat(Exam):
    """Keeps what was heard, asked and gone through."""

    def hear(self, heard: Heard) -> tuple[Effect, ...]:
        before = self.state
        effects = super().hear(heard)
        self.__dict__.setdefault("told", []).append(heard)
        self.__dict__.setdefault("states", []).append(before)
        self.__dict__.setdefault("asked", []).extend(e.question for e in effects if isinstance(e, Ask))
        return effects

    @property
    def all(self) -> tuple[list[Heard], list[State], list[Question]]:
        return self.__dict__["told"], self.__dict__["states"], self.__dict__["asked"]


def led(kind: str, number: int = 0, start: Start | None = None) -> Sat:
    patient, zero = draw_patient(Cohort(kind, seed=4, pace="evidence"), number)
    exam = Sat(start or zero, weigh)
    sit(patient, exam)
    return exam


def led_step(exam: Exam) -> Led:
    """The led step an exam has come to."""
    exam.begin()
    answer = honest()
    while True:
        step = exam.state.of(exam.state.eye).step
        if isinstance(step, Led) and step.choice is not None:
            return step
        assert exam.question is not None
        exam.hear(answer(exam.question))


def test_a_pace_is_one_of_two() -> None:
    with pytest.raises(StartError, match="pace"):
        Manner(pace="brisk")
    assert Manner().pace == "book"


def test_the_pace_travels_with_the_start() -> None:
    start = Start(manner=LED)
    written = json.loads(json.dumps(start_to_dict(start)))
    assert written["manner"] == {"pace": "evidence"}
    assert start_from_dict(written) == start
    assert "manner" not in start_to_dict(Start())  # logs of exams by the book are as they were


def test_by_the_book_no_step_is_led() -> None:
    patient, start = draw_patient(Cohort(seed=4), 0)
    exam = Sat(start, weigh)
    sit(patient, exam)
    steps = {type(progress.step) for state in exam.all[1] for progress in (state.right, state.left)}
    assert Led not in steps


def test_without_evidence_the_exam_goes_by_the_book() -> None:
    patient, start = draw_patient(Cohort(seed=4), 0)
    book, paced = Exam(start), Exam(Start(start.right, start.left, manner=LED))
    sit(patient, book)
    sit(draw_patient(Cohort(seed=4), 0)[0], paced)
    assert paced.state == book.state


@pytest.mark.parametrize("kind", ["typical", "young", "random"])
def test_a_led_exam_replays_to_the_same_state(kind: str) -> None:
    exam = led(kind)
    told, states, _ = exam.all
    fresh = Exam(start_from_dict(start_to_dict(exam.start)), weigh)
    fresh.begin()
    for heard, before in zip(told, states, strict=True):
        assert fresh.state == before
        fresh.hear(heard)
    assert fresh.state == exam.state


def test_the_log_brings_a_led_exam_back(tmp_path: Path) -> None:
    start = {"age": 50, "pd": 62, "manner": {"pace": "evidence", "near": "off"}}
    answer = honest()
    with ExamFolder.create(tmp_path / "exam", header={"version": "test", "start": start}) as folder:
        session = Session(Grammars(grammar_sources()), start_from_dict(start), folder=folder)
        session.begin()
        while session.question is not None:
            session.take(answer(session.question))
        session.close()
    outcome = replay(log_of(tmp_path / "exam"))
    assert outcome.parted is None
    assert outcome.prescription is not None
    assert outcome.prescription.right.sphere == session.exam.state.right.state.lens.sphere


@pytest.mark.parametrize(
    ("kind", "number"), [("typical", 1), ("elderly", 0), ("poor-acuity", 1), ("inconsistent", 2), ("contradictory", 0)]
)
def test_led_pairs_are_legal_and_their_steps_end(kind: str, number: int) -> None:
    exam = led(kind, number)
    questions = [one for one in exam.all[2] if isinstance(one, (Choice, Legible, AcuityQuestion))]
    for one in questions:
        for lens in (one.first, one.second) if isinstance(one, Choice) else (one.lens,):
            bare = lens.with_cross(None)
            assert on_the_dials(bare)
            assert bare.sphere % 25 == 0
            assert bare.cylinder % 25 == 0
    for step in IDS:
        pairs = [one for one in questions if isinstance(one, Choice) and one.step == step]
        for pair in pairs:
            first, second = pair.first, pair.second
            assert first != second
            if step == "sphere_again":  # the sphere alone
                assert first.with_sphere(0) == second.with_sphere(0)
                assert first.cross is None
            if step in ("axis", "axis_again"):  # the cross cylinder astride the axis, flipped
                assert first.cross is not None
                assert (first.cross.minus_axis - first.axis) % 90 == 45
                assert second == first.with_cross(first.cross.flipped())
    for progress in (exam.state.right, exam.state.left):
        assert progress.asked <= plan.QUESTIONS_MOST
    # Steps ended by their share: no stretch of one led step is longer, but for pairs put again.
    for states in exam.all[1]:
        for progress in (states.right, states.left):
            if isinstance(progress.step, Led) and progress.step.id != "sphere":
                assert progress.step.asked <= plan.LED_ENDS[progress.step.id][1]


def test_at_the_end_of_the_dials_what_lies_beyond_is_not_shown() -> None:
    near_the_end = StartEye(Lens(-1975, -775, 20))
    exam = led("typical", start=Start(near_the_end, near_the_end, manner=LED))
    lenses = [lens for one in exam.all[2] if isinstance(one, Choice) for lens in (one.first, one.second)]
    assert lenses
    assert all(on_the_dials(lens.with_cross(None)) for lens in lenses)


def test_a_shorter_dial_is_kept_to() -> None:
    head = Instrument(cylinder_most=200)
    exam = led("typical", 3, Start(manner=Manner(pace="evidence", instrument=head)))
    lenses = [lens for one in exam.all[2] if isinstance(one, Choice) for lens in (one.first, one.second)]
    assert all(head.reaches(lens.with_cross(None)) for lens in lenses)
    assert exam.over


def test_undo_puts_the_same_pair_again() -> None:
    exam = Exam(Start(age=50, pd=62, manner=LED), weigh)
    led_step(exam)
    question, state = exam.question, exam.state
    exam.hear(Heard("two", Outcome.HEARD, Meaning.SECOND))
    exam.hear(Heard("undo", Outcome.HEARD, Meaning.UNDO))
    assert exam.question == question
    assert exam.state.right.step == state.right.step
    assert exam.state.right.answers == state.right.answers


@pytest.mark.parametrize("who", ["honest", "chance-3"])
@pytest.mark.parametrize("start", STARTS[:2], ids=["none", "glasses"])
def test_the_prompts_bring_the_dials_to_the_led_lenses(who: str, start: Start) -> None:
    """Whoever turns only what is said has the lens that is asked about before the patient."""
    led_start = replace(start, manner=replace(start.manner, pace="evidence"))
    Dials(led_start).take(sit_through(Exam(led_start, weigh), honest() if who == "honest" else dict(alike())[who]))


def test_dials_set_by_hand_stay_until_an_answer_comes() -> None:
    exam = Exam(Start(age=50, pd=62, manner=LED), weigh)
    led_step(exam)
    sphere = exam.state.right.state.lens.sphere + 150
    exam.hear(Heard("sphere", Outcome.HEARD, Meaning.SET_SPHERE, sphere))
    assert exam.state.right.state.lens.sphere == sphere


def test_fewer_questions_for_as_good_a_lens() -> None:
    """Virtual patients, seeded: a sixth fewer at least on so few of them; the figures are `simulate`'s to give."""
    tallies = []
    for pace in ("book", "evidence"):
        tally = Tally()
        for record in exams(Cohort(seed=21, pace=pace), 0, 30):
            tally.add(record)
        tallies.append(tally)
    book, paced = tallies
    assert (paced.questions.mean() or 0) < 5 / 6 * (book.questions.mean() or 0)
    assert (paced.vector.sizes().percentile(0.9) or 0) < (book.vector.sizes().percentile(0.9) or 0) + 60  # 0.06 D


def test_a_cohort_keeps_its_patients_at_another_pace() -> None:
    book, paced = exam_of(Cohort(seed=9), 3), exam_of(Cohort(seed=9, pace="evidence"), 3)
    assert [eye.truth for eye in book.eyes] == [eye.truth for eye in paced.eyes]

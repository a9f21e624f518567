"""Short roads - refine, recheck, one eye, near alone - and what is said of patient and room on the way."""

from __future__ import annotations

import pytest
from foreign import ForeignPatient, Rules
from sitting import flags, go_on, honest, prescription, questions, said, sit

from assistant.grammar import wording
from assistant.optics.lens import Lens
from assistant.protocol.effects import Effect, Say, Status, StepChange
from assistant.protocol.exam import Exam
from assistant.protocol.meanings import Meaning
from assistant.protocol.questions import AcuityQuestion, Choice, Eye, Value
from assistant.protocol.start import Manner, Road, Start, StartError, StartEye

RIGHT, LEFT = StartEye(Lens.of(-2.0, -1.25, 40), "20/25"), StartEye(Lens.of(-1.5, -0.75, 145), "20/20")


def start(**manner: object) -> Start:
    return Start(RIGHT, LEFT, pd=62, age=30, manner=Manner(**manner))


def steps(effects: list[Effect], eye: Eye) -> list[str]:
    return [
        effect.step
        for effect in effects
        if isinstance(effect, StepChange) and effect.eye is eye and effect.status is Status.BEGUN
    ]


def test_a_recheck_leaves_the_cylinder_alone() -> None:
    effects = sit(Exam(start(road=Road.RECHECK)), honest())
    draft = prescription(effects)
    for eye, given, result in ((Eye.RIGHT, RIGHT, draft.right), (Eye.LEFT, LEFT, draft.left)):
        assert given.lens is not None
        assert set(steps(effects, eye)) <= {"sphere_again", "acuity", "over_minus", "plus_check"}
        assert (result.cylinder, result.axis) == (given.lens.cylinder, given.lens.axis)
        assert result.complete
    assert len(questions(effects, Eye.RIGHT)) < len(questions(sit(Exam(start()), honest()), Eye.RIGHT))


def test_one_eye_leaves_the_other_as_it_came() -> None:
    effects = sit(Exam(start(eyes=(Eye.LEFT,))), honest())
    draft = prescription(effects)
    assert not questions(effects, Eye.RIGHT)
    assert (draft.right.sphere, draft.right.cylinder, draft.right.axis) == (-200, -125, 40)
    assert not draft.right.examined
    assert not draft.right.complete  # what was not looked at is not certified
    assert draft.left.examined and draft.left.complete


def test_one_eye_without_a_start_leaves_the_other_open() -> None:
    patient = ForeignPatient(Rules(), (-1.0, 0.0, 180, 0.0), (-1.5, 0.0, 180, 0.0), 1, age=30)
    draft = prescription(sit(Exam(Start(age=30, manner=Manner(eyes=(Eye.RIGHT,)))), patient.hear))
    assert draft.right.complete
    assert draft.left.sphere is None


@pytest.mark.parametrize("road", [Road.REFINE, Road.RECHECK, Road.NEAR])
def test_a_short_road_needs_a_lens_to_begin_at(road: Road) -> None:
    with pytest.raises(StartError, match=r"left eye: .* begins at a starting lens"):
        Start(RIGHT, manner=Manner(road=road))


def test_refining_by_voice_goes_to_the_cross_cylinder_at_once() -> None:
    exam = Exam(start())
    exam.begin()
    effects = exam.hear(said(Meaning.REFINE))
    assert steps(list(effects), Eye.RIGHT) == ["axis"]
    assert isinstance(exam.question, Choice) and exam.question.first.cross is not None


def test_a_finished_eye_can_be_rechecked_by_voice() -> None:
    exam = Exam(start())
    sit(exam, honest(), until=lambda question: question.step == "read_back")
    exam.hear(said(Meaning.RECHECK, "right"))
    assert exam.question is not None and (exam.question.eye, exam.question.step) == (Eye.RIGHT, "sphere_again")
    draft = prescription(go_on(exam, honest()))
    assert draft.right.complete and draft.left.complete and draft.confirmed


def test_near_by_voice_waits_for_the_eyes() -> None:
    exam = Exam(start())
    exam.begin()
    exam.hear(said(Meaning.SET_AGE, 57))
    exam.hear(said(Meaning.NEAR))
    effects = go_on(exam, honest())
    assert "near" in steps(effects, Eye.BOTH)
    assert prescription(effects).right.add is not None


def test_a_young_patient_gets_near_by_voice() -> None:
    exam = Exam(start())
    sit(exam, honest(), until=lambda question: question.step == "read_back")
    effects = [*exam.hear(said(Meaning.NEAR)), *go_on(exam, honest())]
    assert "near" in steps(effects, Eye.BOTH)


def test_the_whole_intake_is_asked_only_where_it_is_wanted() -> None:
    asked = {}
    for intake in (False, True):
        exam = Exam(Start(manner=Manner(intake=intake)))
        found = []
        exam.begin()
        while isinstance(exam.question, Value):
            found.append(exam.question.of)
            exam.hear(said(Meaning.SKIP))
        asked[intake] = found
    assert asked == {
        False: ["age", "pd"],
        True: ["reason", "red_flags", "vertex", "near_pd", "age", "pd"],
    }


def test_the_intake_takes_the_line_without_lenses_first() -> None:
    exam = Exam(Start(RIGHT, LEFT, pd=62, age=30, near_pd=59, vertex=12, reason="x", red_flags=("pain",),
                      manner=Manner(intake=True)))  # fmt: skip
    exam.begin()
    assert exam.question == AcuityQuestion(Eye.RIGHT, "unaided", Lens(0))
    exam.hear(said(Meaning.SET_ACUITY, "20/200"))
    assert exam.question is not None and exam.question.step == "sphere"
    assert exam.state.right.state.unaided == "20/200"
    assert exam.state.right.state.line == "20/25"  # the line through the starting lens is another matter


def test_a_warning_sign_is_told_once_when_said_and_stays_to_the_end() -> None:
    exam = Exam(start())
    exam.begin()
    assert "red_flag" in flags(exam.hear(said(Meaning.RED_FLAG, "flashes")))
    assert "red_flag" not in flags(exam.hear(said(Meaning.RED_FLAG, "flashes")))
    effects = go_on(exam, honest())
    assert "red_flag" in prescription(effects).cautions


def power_at(exam: Exam, millimetres: float) -> dict[str, object]:
    told = [effect for effect in exam.hear(said(Meaning.POWER_AT, millimetres)) if isinstance(effect, Say)]
    return dict(told[0].facts) if told[0].key == "power_at" else {}


def test_power_at_another_vertex_distance() -> None:
    # -4.00 -2.00 x180 at 12 mm is -3.82 -1.78 x180 at the cornea (both meridians by F / (1 - dF)): in quarters
    # the cylinder is -1.75, and the sphere the click nearest to the same spherical equivalent.
    eye = StartEye(Lens.of(-4.0, -2.0, 180), "20/20")
    exam = Exam(Start(eye, StartEye(Lens.of(5.0), "20/20"), pd=62, age=30))
    exam.begin()
    assert power_at(exam, 0) == {}  # the vertex distance is not known
    exam.hear(said(Meaning.SET_VERTEX, 12))
    told = power_at(exam, 0)
    assert told["right"] == Lens.of(-3.75, -1.75, 180)
    assert told["left"] == Lens.of(5.25)  # +5.00 at 12 mm is +5.32 at the cornea (CLSA Eye Witness, spring 2011)
    assert exam.state.right.state.lens == eye.lens  # said, not done
    assert prescription(list(exam.close())).vertex == 12


@pytest.mark.parametrize("by", ["dial", "cross"])
def test_the_cylinder_is_found_by_either_road(by: str) -> None:
    for seed, cylinder in ((1, -0.5), (2, -1.25), (3, -2.5)):
        patient = ForeignPatient(Rules(), (-1.5, cylinder, 30, 0.0), (-1.0, cylinder, 150, 0.0), seed, age=30)
        lens = Lens.of(-1.5, -1.0, 30)
        given = Start(StartEye(lens), StartEye(lens.with_axis(150)), pd=62, age=30, manner=Manner(power_by=by))
        draft = prescription(sit(Exam(given), patient.hear))
        for result in (draft.right, draft.left):
            assert result.cylinder is not None
            assert abs(result.cylinder / 100 - cylinder) <= 0.25


def test_every_prompt_of_every_exam_has_words() -> None:
    manner = Manner(balance=True, duochrome=True, intake=True)
    patient = ForeignPatient(Rules(), (-1.0, -0.5, 30, 0.0), (-1.5, 0.0, 180, 0.0), 1, age=52)
    effects = sit(Exam(Start(RIGHT, LEFT, age=52, manner=manner)), patient.hear)
    for effect in effects:
        wording.words(effect)

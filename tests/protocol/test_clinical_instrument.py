"""Minus- and plus-cylinder refractor heads: what is shown and turned follows the head, what is found does not.

Transpositions: National Federation of Opticianry Schools, OPT11 8c.
"""

from __future__ import annotations

import pytest
from foreign import ForeignPatient, Rules, wide_eye
from hypothesis import given
from hypothesis import strategies as st
from sitting import flags, prescription, said, sit

from assistant.grammar import wording
from assistant.optics.lens import Lens
from assistant.optics.transpose import PlusCylinderForm
from assistant.protocol.effects import Ask, Effect
from assistant.protocol.exam import Exam
from assistant.protocol.instrument import CylinderSign, Instrument, InstrumentError
from assistant.protocol.meanings import Meaning
from assistant.protocol.questions import AcuityQuestion, Choice, Eye, Legible
from assistant.protocol.start import Manner, Start, StartError, StartEye

PLUS = Instrument(CylinderSign.PLUS)
MINUS = Instrument()

powers = st.integers(-32, 32).map(lambda clicks: clicks * 25)
cylinders = st.integers(0, 32).map(lambda clicks: clicks * 25)
axes = st.integers(1, 180)


def test_a_plus_head_shows_the_transposed_lens() -> None:
    assert PLUS.shown(Lens.of(1.50, -0.50, 125)) == PlusCylinderForm(100, 50, 35)
    assert PLUS.shown(Lens.of(-3.00, -2.00, 30)) == PlusCylinderForm(-500, 200, 120)
    assert MINUS.shown(Lens.of(1.50, -0.50, 125)) == Lens.of(1.50, -0.50, 125)


@given(powers, cylinders, axes, st.sampled_from(["sphere", "cylinder", "axis"]), powers, cylinders, axes)
def test_turning_one_dial_leaves_the_others(
    sphere: int, cylinder: int, axis: int, dial: str, to_sphere: int, to_cylinder: int, to_axis: int
) -> None:
    value = {"sphere": to_sphere, "cylinder": to_cylinder, "axis": to_axis}[dial]
    for head, sign in ((MINUS, -1), (PLUS, 1)):
        lens = Lens(sphere, -cylinder, axis)
        before = head.shown(lens)
        try:
            after = head.shown(head.turned(lens, dial, value * (sign if dial == "cylinder" else 1)))
        except InstrumentError:
            continue
        for name in ("sphere", "cylinder", "axis"):
            if name == dial:
                assert getattr(after, name) == value * (sign if dial == "cylinder" else 1)
            else:
                assert getattr(after, name) == getattr(before, name)


def test_a_cylinder_of_the_other_sign_is_not_on_the_dial() -> None:
    with pytest.raises(InstrumentError):
        MINUS.turned(Lens(0), "cylinder", 50)
    with pytest.raises(InstrumentError):
        PLUS.turned(Lens(0), "cylinder", -50)


@pytest.mark.parametrize(
    "ends", [{"sphere_low": 0}, {"sphere_high": 2100}, {"cylinder_most": 0}, {"sphere_low": -1990}]
)
def test_a_head_that_cannot_be_is_refused(ends: dict[str, int]) -> None:
    with pytest.raises(InstrumentError):
        Instrument(**ends)


def sat(seed: int, head: Instrument) -> tuple[list[Effect], Exam]:
    from random import Random

    draw = Random(seed)
    patient = ForeignPatient(Rules(), wide_eye(draw), wide_eye(draw), seed, age=30)
    exam = Exam(Start(age=30, manner=Manner(instrument=head)))
    return sit(exam, patient.hear), exam


@pytest.mark.parametrize("seed", range(20))
def test_the_same_patient_gets_the_same_prescription_at_either_head(seed: int) -> None:
    (minus, _), (plus, _) = sat(seed, MINUS), sat(seed, PLUS)
    assert prescription(minus) == prescription(plus)


def test_prompts_and_marks_follow_the_head() -> None:
    effects, exam = sat(3, PLUS)
    asked = [effect for effect in effects if isinstance(effect, Ask)]
    words = [wording.question(ask, exam.instrument) for ask in asked]
    assert not any("minus mark" in text for text in words)
    assert any("plus mark" in text for text in words)
    assert not any("cylinder minus" in text for text in words)
    assert any("minus mark" in wording.question(ask) for ask in asked)


def test_the_marks_tell_the_same_cross_cylinder_either_way() -> None:
    # Minus axis 135 is plus axis 45: the same lens, told by the mark its users turn toward.
    exam = Exam(Start(StartEye(Lens.of(-1, -1, 90), "20/20"), StartEye(Lens(0)), pd=62, age=30))
    exam.begin()
    while exam.question is not None and exam.question.step != "axis":
        exam.hear(said(Meaning.FIRST))
    assert isinstance(exam.question, Choice)
    ask = Ask(exam.question, 1)
    assert "astride axis ninety; one, minus mark at one thirty-five" in wording.question(ask, MINUS)
    assert "astride axis one eighty; one, plus mark at forty-five" in wording.question(ask, PLUS)


def test_commands_set_the_dials_of_the_head_and_the_record_stays_minus() -> None:
    exam = Exam(Start(pd=62, age=30, manner=Manner(instrument=PLUS)))
    exam.begin()
    for meaning, value in ((Meaning.SET_SPHERE, -300), (Meaning.SET_CYLINDER, 200), (Meaning.SET_AXIS, 30)):
        exam.hear(said(meaning, value))
    lens = exam.state.right.state.lens
    assert lens == Lens.of(-1.00, -2.00, 120)  # -3.00 +2.00 x30
    assert "dial_end" in flags(exam.hear(said(Meaning.SET_CYLINDER, -100)))
    assert exam.state.right.state.lens == lens


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("sign", [CylinderSign.MINUS, CylinderSign.PLUS])
def test_no_lens_beyond_the_dials_is_ever_asked_for(seed: int, sign: CylinderSign) -> None:
    head = Instrument(sign, sphere_low=-300, sphere_high=200, cylinder_most=150)
    effects, _ = sat(seed, head)
    for ask in (effect for effect in effects if isinstance(effect, Ask)):
        question = ask.question
        lenses = (question.first, question.second) if isinstance(question, Choice) else ()
        if isinstance(question, (Legible, AcuityQuestion)):
            lenses = (question.lens,)
        assert all(head.reaches(lens) for lens in lenses), question
    prescription(effects)


def test_an_eye_beyond_the_dials_is_flagged() -> None:
    head = Instrument(sphere_low=-300, sphere_high=300)
    patient = ForeignPatient(Rules(), (-6.0, 0.0, 180, 0.0), (-1.0, 0.0, 180, 0.0), 1, age=30)
    effects = sit(Exam(Start(age=30, manner=Manner(instrument=head))), patient.hear)
    assert "dial_end" in flags(effects, Eye.RIGHT)
    assert "dial_end" not in flags(effects, Eye.LEFT)


def test_a_start_beyond_the_dials_is_refused() -> None:
    with pytest.raises(StartError, match="right eye: the starting lens is beyond"):
        Start(StartEye(Lens.of(-6.0)), manner=Manner(instrument=Instrument(sphere_low=-500)))

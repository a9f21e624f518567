"""Is there astigmatism? A trial cylinder at four meridians: without it, or with it."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st
from walking import apart, choice_of, exact, eye, heard, walk

from assistant.optics.lens import Lens
from assistant.protocol import plan
from assistant.protocol.meanings import Heard, Meaning
from assistant.protocol.questions import Choice, Question
from assistant.protocol.steps.astigmatism import Astigmatism

MERIDIANS = {45, 90, 135, 180}
answers = st.sampled_from((Meaning.FIRST, Meaning.SECOND, Meaning.SAME, Meaning.UNSURE))


def pairs_of(told: list) -> list[Choice]:
    return [question for question, _ in told if isinstance(question, Choice)]


def test_half_a_dioptre_at_180_45_90_and_135_and_none_preferred_is_no_cylinder() -> None:
    """Common practice, no source."""
    at = eye(Lens.of(-2))
    _, left, told = walk(Astigmatism(), at, lambda question: heard(Meaning.FIRST))
    pairs = pairs_of(told)
    assert {pair.first for pair in pairs} == {at.lens}
    assert [pair.second.cylinder for pair in pairs] == [-50] * 4
    assert {pair.second.axis for pair in pairs} == MERIDIANS
    assert {pair.second.spherical_equivalent for pair in pairs} == {at.lens.spherical_equivalent}
    assert left.lens == at.lens


@pytest.mark.parametrize("meridian", sorted(MERIDIANS))
def test_one_preferred_is_a_cylinder_at_that_meridian(meridian: int) -> None:
    """Some astigmatism, near that axis (common practice, no source)."""
    at = eye(Lens.of(-2))

    def sees(question: Question) -> Heard:
        assert isinstance(question, Choice)
        return heard(Meaning.SECOND if question.second.axis == meridian else Meaning.FIRST)

    _, left, told = walk(Astigmatism(), at, sees)
    assert left.lens.axis == meridian
    assert left.lens.cylinder == -50
    assert abs(left.lens.spherical_equivalent - at.lens.spherical_equivalent) <= 0.125
    # The meridian across a preferred one can only be worse: it need not be shown.
    assert len(told) <= 4


@pytest.mark.parametrize(("one", "other"), [(180, 45), (45, 90), (90, 135), (135, 180)])
def test_two_neighbours_preferred_is_an_axis_between_them(one: int, other: int) -> None:
    at = eye(Lens.of(-2))

    def sees(question: Question) -> Heard:
        assert isinstance(question, Choice)
        return heard(Meaning.SECOND if question.second.axis in (one, other) else Meaning.FIRST)

    _, left, _ = walk(Astigmatism(), at, sees)
    assert abs(apart(left.lens.axis, one) - apart(left.lens.axis, other)) <= 1
    assert apart(left.lens.axis, one) <= 23


@given(st.integers(-16, -2), st.integers(1, 180))
def test_an_exact_eye_begins_within_22_degrees_of_its_axis(clicks: int, axis: int) -> None:
    """Half the distance between two of four meridians, 22.5 degrees."""
    truth = Lens(-100, clicks * 25, axis)
    at = eye(Lens(round(truth.spherical_equivalent * 4) * 25))
    _, left, _ = walk(Astigmatism(), at, exact(truth, same_below=0.0))
    assert left.lens.cylinder < 0
    assert apart(left.lens.axis, axis) <= 23


@given(st.integers(-72, 72))
def test_an_exact_eye_without_astigmatism_gets_none(clicks: int) -> None:
    truth = Lens(clicks * 25)
    at = eye(truth)
    _, left, told = walk(Astigmatism(), at, exact(truth))
    assert left.lens == truth
    assert len(told) == 4


@pytest.mark.parametrize("equal", [Meaning.SAME, Meaning.UNSURE])
def test_no_difference_anywhere_is_no_cylinder_though_a_stronger_trial_may_be_shown(equal: Meaning) -> None:
    """No difference seen is not the same as no astigmatism (design)."""
    at = eye(Lens.of(-2))
    _, left, told = walk(Astigmatism(), at, lambda question: heard(equal))
    assert left.lens == at.lens
    trials = [pair.second.cylinder for pair in pairs_of(told)]
    assert trials == sorted(trials, reverse=True)
    assert len(trials) <= 12


@given(
    st.integers(-80, 80),
    st.integers(-32, 0),
    st.integers(1, 180),
    st.sampled_from(("20/20", "20/100")),
    st.lists(answers, min_size=20, max_size=20),
)
def test_any_answers_at_any_lens_end_it_within_the_dials(
    sphere: int, cylinder: int, axis: int, line: str, told: list[Meaning]
) -> None:
    at = eye(Lens(sphere * 25, cylinder * 25, axis), line)
    step = Astigmatism()
    for meaning in told:
        question = step.ask(at)
        if question is None:
            break
        assert isinstance(question, Choice)
        move = step.answer(at, heard(meaning))
        for lens in (question.second, move.eye.lens):
            assert plan.SPHERE_LOW <= lens.sphere <= plan.SPHERE_HIGH
            assert plan.CYLINDER_LOW <= lens.cylinder <= 0
        assert isinstance(move.step, Astigmatism)
        step, at = move.step, move.eye
    assert step.ask(at) is None


def test_every_pattern_of_preferences_gives_an_axis_and_no_more_than_four_questions() -> None:
    for pattern in product((Meaning.FIRST, Meaning.SECOND), repeat=4):
        at = eye(Lens.of(-2))
        replies = iter(pattern)
        _, left, told = walk(Astigmatism(), at, lambda question, replies=replies: heard(next(replies)))
        preferred = {question.second.axis for question, move in told if isinstance(question, Choice)}
        assert preferred <= MERIDIANS
        assert len(told) <= 4
        some = any(reply is Meaning.SECOND for reply, _ in zip(pattern, told, strict=False))
        assert (left.lens.cylinder < 0) == some
        assert 1 <= left.lens.axis <= 180


def test_a_dial_set_meanwhile_begins_it_anew() -> None:
    at = eye(Lens.of(-2))
    move = Astigmatism().answer(at, heard(Meaning.SECOND))
    turned = move.eye.to(Lens.of(1))
    assert choice_of(move.step.rebased(turned), turned).first == Lens.of(1)

"""The sphere: plus first, whole dioptres while plainly blurred, minus only where it earns its place."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from walking import choice_of, exact, eye, heard, walk

from assistant.optics.lens import Lens
from assistant.protocol import plan
from assistant.protocol.eye import EyeState
from assistant.protocol.meanings import Heard, Meaning
from assistant.protocol.questions import AcuityQuestion, Choice, Question
from assistant.protocol.steps.base import Step
from assistant.protocol.steps.coarse_sphere import CoarseSphere, size_for
from assistant.protocol.steps.sphere import Sphere

BEGIN = [CoarseSphere.begin, Sphere.fine]
LINES = ("20/20", "20/30", "20/50", "20/80", "20/200", "20/400", None)


@pytest.mark.parametrize("begin", BEGIN)
@pytest.mark.parametrize("line", ("20/20", "20/30", None))
def test_plus_is_tried_first(begin: type, line: str | None) -> None:
    """A young eye will accept too much minus because it can focus through it (common practice, no source)."""
    at = eye(Lens.of(-2, -1, 90), line)
    asked = choice_of(begin(at), at)
    assert asked.first == at.lens
    assert asked.second.sphere > asked.first.sphere


@pytest.mark.parametrize(("line", "blur"), [("20/50", 1.00), ("20/100", 1.50), ("20/200", 2.50), ("20/300", 3.50)])
def test_the_first_step_stays_on_the_near_side_of_the_focus(line: str, blur: float) -> None:
    """Blur by the line read: table of 6,000 refractions (Br J Ophthalmol chart table).

    It and H.B. Peters, Am J Optom 1961 differ by about 1.5 lines, and the step is in half dioptres.
    """
    step = size_for(eye(Lens.of(-2, -1, 90), line)) / 100
    assert 0.4 * blur <= step <= blur + 0.25


@pytest.mark.parametrize("line", ["20/200", "20/400", plan.NO_LINE])
def test_plainly_blurred_both_sides_are_shown_at_once(line: str) -> None:
    """Step either way (the bracketing of low vision, common practice); the line decides after it."""
    at = eye(Lens.of(-2, -1, 90), line)
    step = CoarseSphere.begin(at)
    asked = choice_of(step, at)
    assert asked.first.sphere - at.lens.sphere == at.lens.sphere - asked.second.sphere >= 150
    for answer, lens in ((Meaning.FIRST, asked.first), (Meaning.SECOND, asked.second)):
        move = step.answer(at, heard(answer))
        assert move.eye.lens == lens
        assert isinstance(move.step.ask(move.eye), AcuityQuestion)
    assert step.answer(at, heard(Meaning.SAME)).eye.lens == at.lens


def test_a_young_eye_is_fogged_first_from_zero() -> None:
    """Initial fogging for young eyes (common practice): the size of the step is a design choice."""
    young, old = eye(Lens(0), "20/20", age=20), eye(Lens(0), "20/20", age=65)
    assert choice_of(CoarseSphere.begin(young), young).second.sphere == 100
    assert choice_of(CoarseSphere.begin(old), old).second.sphere == 50


def test_plus_that_shows_no_difference_is_never_walked_on_where_no_line_can_tell() -> None:
    at = eye(Lens(0), plan.NO_LINE, age=20)
    step: Step = CoarseSphere.begin(at)
    _, left, _ = walk(step, at, lambda q: heard(Meaning.NO if isinstance(q, AcuityQuestion) else Meaning.SAME))
    assert left.lens == at.lens


@pytest.mark.parametrize("begin", BEGIN)
def test_only_the_preferred_lens_is_taken(begin: type) -> None:
    at = eye(Lens.of(-2, -1, 90), "20/40")
    step = begin(at)
    asked = choice_of(step, at)
    assert step.answer(at, heard(Meaning.SECOND)).eye.lens == asked.second
    kept = step.answer(at, heard(Meaning.FIRST))
    assert kept.eye.lens == asked.first
    other_way = choice_of(kept.step, kept.eye)
    assert other_way.second.sphere < asked.first.sphere


@given(st.integers(-40, 40), st.sampled_from((Meaning.SAME, Meaning.UNSURE)), st.integers(10, 55))
def test_an_equal_answer_near_the_focus_keeps_the_plus_and_never_the_minus(
    clicks: int, equal: Meaning, age: int
) -> None:
    """Minus has to earn its place (common practice, no source)."""
    at = eye(Lens(clicks * 25, -50, 90), "20/20", age)
    step = Sphere.fine(at)
    plus = choice_of(step, at).second
    assert step.answer(at, heard(equal)).eye.lens == plus
    minus_asked = step.answer(at, heard(Meaning.FIRST))
    assert choice_of(minus_asked.step, minus_asked.eye).second.sphere < at.lens.sphere
    after = minus_asked.step.answer(minus_asked.eye, heard(equal))
    assert after.eye.lens.sphere >= at.lens.sphere


@given(st.integers(-40, 40), st.booleans())
def test_an_eye_that_sees_all_lenses_alike_gets_no_minus(clicks: int, fine: bool) -> None:
    at = eye(Lens(clicks * 25, -50, 90), "20/20")
    begin = Sphere.fine if fine else CoarseSphere.begin

    def alike(question: Question) -> Heard:
        return heard(Meaning.SET_ACUITY, "20/20") if isinstance(question, AcuityQuestion) else heard(Meaning.SAME)

    step, left = begin(at), at
    for _ in range(12):  # plus that costs nothing may go on for long
        question = step.ask(left)
        if question is None:
            break
        move = step.answer(left, alike(question))
        step, left = move.step, move.eye
    assert left.lens.sphere >= at.lens.sphere


def ready(sphere: int, line: str | None, fine: bool, age: int | None = 40) -> tuple[Step, EyeState]:
    at = eye(Lens(sphere, -50, 90), line, age)
    return (Sphere.fine if fine else CoarseSphere.begin)(at), at


@given(
    st.integers(-80, 80).map(lambda clicks: clicks * 25),
    st.sampled_from(LINES),
    st.booleans(),
    st.randoms(use_true_random=False),
)
def test_any_answers_stay_on_the_dial_and_leave_the_cylinder_alone(
    sphere: int, line: str | None, fine: bool, chance: Random
) -> None:
    step, at = ready(sphere, line, fine)
    for _ in range(60):
        question = step.ask(at)
        if question is None:
            break
        if isinstance(question, AcuityQuestion):
            assert question.lens == at.lens
            reply = chance.choice((heard(Meaning.SET_ACUITY, chance.choice(LINES[:-1])), heard(Meaning.NO)))
        else:
            assert isinstance(question, Choice)
            middle = question.first.sphere + question.second.sphere == 2 * at.lens.sphere
            assert question.first == at.lens or middle
            assert question.second != question.first
            assert question.second.with_sphere(0) == question.first.with_sphere(0)
            assert plan.SPHERE_LOW <= question.second.sphere <= plan.SPHERE_HIGH
            reply = heard(chance.choice((Meaning.FIRST, Meaning.SECOND, Meaning.SAME, Meaning.UNSURE)))
        move = step.answer(at, reply)
        assert plan.SPHERE_LOW <= move.eye.lens.sphere <= plan.SPHERE_HIGH
        assert (move.eye.lens.sphere - sphere) % 25 == 0
        assert move.eye.lens.with_sphere(0) == at.lens.with_sphere(0)
        step, at = move.step, move.eye


@pytest.mark.parametrize("way", [1, -1])
def test_the_end_of_the_dial_is_a_caution(way: int) -> None:
    """Always better with more: the dial stops, and says so."""
    sphere = way * (plan.SPHERE_HIGH - 300)
    step, at = ready(sphere, "20/400", fine=False)
    flags = []
    for _ in range(30):
        question = step.ask(at)
        if question is None:
            break
        if isinstance(question, AcuityQuestion):
            # Each line better than the last, so that nothing is taken back.
            reply = heard(Meaning.SET_ACUITY, f"20/{max(20, 400 - abs(at.lens.sphere - sphere))}")
        else:
            assert isinstance(question, Choice)
            more = way * (question.second.sphere - question.first.sphere) > 0
            reply = heard(Meaning.SECOND if more else Meaning.FIRST)
        move = step.answer(at, reply)
        flags += list(move.flags)
        step, at = move.step, move.eye
    assert "dial_end" in {flag.code for flag in flags}
    assert all(flag.facts["dial"] == "sphere" for flag in flags if flag.code == "dial_end")


@settings(max_examples=80)
@given(st.floats(-8, 6), st.integers(-8, 8))
def test_an_exact_eye_that_cannot_focus_ends_in_focus(sphere: float, off: int) -> None:
    """Coarse: within half a dioptre; fine: within a quarter's half and the zone where lenses look the same."""
    truth = Lens(round(sphere * 100))
    start = Lens(round(sphere * 4) * 25 + off * 50)
    sees = exact(truth)
    line = sees(AcuityQuestion(eye(start).eye, "entering", start))
    at = eye(start, str(line.value) if line.value else plan.NO_LINE, age=65)
    _, at, _ = walk(CoarseSphere.begin(at), at, sees)
    assert abs(at.lens.sphere - truth.sphere) <= 50
    _, at, _ = walk(Sphere.fine(at), at, sees)
    assert abs(at.lens.sphere - truth.sphere) <= 25


def test_minus_that_buys_no_better_line_is_taken_back() -> None:
    """More minus needs to earn its place by a clearer letter (common practice, no source)."""
    at = eye(Lens.of(-2), "20/20", age=20)
    likes_minus = -1

    def sees(question: Question) -> Heard:
        if isinstance(question, AcuityQuestion):
            return heard(Meaning.SET_ACUITY, "20/20")
        assert isinstance(question, Choice)
        more_minus = question.second.sphere < question.first.sphere
        return heard(Meaning.SECOND if more_minus == (likes_minus < 0) else Meaning.FIRST)

    for begin in BEGIN:
        _, left, told = walk(begin(at), at, sees)
        assert left.lens.sphere >= at.lens.sphere - 25
        assert any(isinstance(question, AcuityQuestion) for question, _ in told)


@pytest.mark.parametrize("begin", BEGIN)
def test_a_dial_set_meanwhile_begins_the_search_anew_from_there(begin: type) -> None:
    at = eye(Lens.of(-2), "20/40")
    move = begin(at).answer(at, heard(Meaning.FIRST))
    turned = move.eye.to(Lens.of(3))
    asked = choice_of(move.step.rebased(turned), turned)
    assert asked.first == Lens.of(3)
    assert asked.second.sphere > 300


def test_an_eye_that_reads_nothing_is_looked_for_by_lines_wherever_the_pairs_lead() -> None:
    """Wrong about the first pair, and alike from then on: reading still finds it (MAR as 1 + b², Blendowske 2015)."""
    truth = Lens.of(-7)
    sees, pairs = exact(truth), []

    def lost(question: Question) -> Heard:
        if isinstance(question, AcuityQuestion):
            return sees(question)
        pairs.append(question)
        if abs(choice_of(step, at).first.sphere - truth.sphere) < 600:
            return sees(question)
        return heard(Meaning.FIRST if len(pairs) == 1 else Meaning.SAME)

    at = eye(Lens(0), plan.NO_LINE, age=65)
    step: Step = CoarseSphere.begin(at)
    for _ in range(30):
        question = step.ask(at)
        if question is None:
            break
        move = step.answer(at, lost(question))
        step, at = move.step, move.eye
    assert abs(at.lens.sphere - truth.sphere) <= 50
    assert choice_of(CoarseSphere.begin(eye(Lens(0), plan.NO_LINE)), eye(Lens(0), plan.NO_LINE)).first.sphere > 0


@pytest.mark.parametrize("home", (-1900, -300, 0, 550, 1900))
def test_an_eye_that_reads_nothing_anywhere_is_back_where_it_began_after_a_few_lines(home: int) -> None:
    at = eye(Lens(home), plan.NO_LINE, age=65)
    read: list[int] = []

    def blind(question: Question) -> Heard:
        if isinstance(question, AcuityQuestion):
            read.append(question.lens.sphere)
        return heard(Meaning.NO if isinstance(question, AcuityQuestion) else Meaning.SAME)

    _, left, told = walk(CoarseSphere.begin(at), at, blind)
    assert left.lens == at.lens
    assert left.line_here == plan.NO_LINE
    assert 1 <= len(read) <= plan.SCAN_MOST
    assert len(told) <= plan.SCAN_MOST + 4
    assert min(abs(one - other) for one in (*read, home) for other in read if one != other) > plan.SCAN_APART // 2

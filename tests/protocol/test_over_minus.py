"""The over-minus check: clicks of plus until no letter of the best line can be read."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from walking import Sees, eye, heard, walk

from assistant.optics.lens import CLICK, Lens
from assistant.protocol import plan
from assistant.protocol.meanings import Heard, Meaning
from assistant.protocol.questions import AcuityQuestion, Choice, Legible, Question
from assistant.protocol.steps.over_minus import OverMinus

answers = st.sampled_from((Meaning.YES, Meaning.NO, Meaning.UNSURE))
pairs = st.sampled_from((Meaning.FIRST, Meaning.SECOND, Meaning.SAME, Meaning.UNSURE))


def unreadable_from(
    clicks: int, base: int, pair: Meaning = Meaning.FIRST, no: Meaning = Meaning.NO, line: str = "20/20"
) -> Sees:
    """An eye that loses the line at so many clicks, and answers any pair the same way."""

    def sees(question: Question) -> Heard:
        if isinstance(question, Legible):
            return heard(Meaning.YES if question.lens.sphere - base < clicks * CLICK else no)
        if isinstance(question, AcuityQuestion):
            return heard(Meaning.SET_ACUITY, line)
        return heard(pair)

    return sees


@pytest.mark.parametrize("no", [Meaning.NO, Meaning.UNSURE])
@pytest.mark.parametrize("clicks", range(4, 40))
def test_more_than_three_clicks_leaves_three_clicks_minus_of_the_lens_that_lost_the_line(
    clicks: int, no: Meaning
) -> None:
    """Common practice, no source. "Can't tell" is no letter read."""
    lens = Lens.of(-3, -0.5, 90)
    at = eye(lens)
    _, left, told = walk(OverMinus.begin(at), at, unreadable_from(clicks, lens.sphere, no=no))
    assert left.clicks == clicks
    assert left.lens == lens.with_sphere(lens.sphere + (clicks - 3) * CLICK)
    flags = [flag for _, move in told for flag in move.flags]
    assert [flag.code for flag in flags] == ["over_minus"]
    assert flags[0].facts == {"clicks": clicks, "from": lens.sphere, "to": left.lens.sphere}


def test_three_clicks_change_nothing_and_ask_nothing_more() -> None:
    """A correct sphere takes three clicks (common practice, no source)."""
    lens = Lens.of(-3, -0.5, 90)
    at = eye(lens)
    _, left, told = walk(OverMinus.begin(at), at, unreadable_from(3, lens.sphere))
    assert left.clicks == 3
    assert left.lens == lens
    assert all(isinstance(question, Legible) for question, _ in told)
    assert not [flag for _, move in told for flag in move.flags]


@pytest.mark.parametrize("clicks", [0, 1, 2])
def test_fewer_clicks_look_for_under_minus_before_going_on(clicks: int) -> None:
    """Common practice, no source: minus is offered, and given only as far as the count asks for."""
    lens = Lens.of(-3, -0.5, 90)
    at = eye(lens)
    _, left, told = walk(OverMinus.begin(at), at, unreadable_from(clicks, lens.sphere))
    offered = [question for question, _ in told if isinstance(question, Choice)]
    assert offered[0].first == lens
    assert offered[0].second == lens.with_sphere(lens.sphere - CLICK)
    assert left.lens == lens  # the pair spoke against it
    _, left, _ = walk(OverMinus.begin(at), at, unreadable_from(clicks, lens.sphere, pair=Meaning.SECOND))
    assert lens.sphere - (3 - clicks) * CLICK <= left.lens.sphere < lens.sphere


@pytest.mark.parametrize("clicks", range(67))
def test_the_count_is_exact_and_takes_few_questions(clicks: int) -> None:
    lens = Lens.of(-5)
    at = eye(lens)
    _, left, told = walk(OverMinus.begin(at), at, unreadable_from(clicks, lens.sphere))
    assert left.clicks == clicks
    legible = [question for question, _ in told if isinstance(question, Legible)]
    assert len(legible) <= 12
    assert legible[0].lens.sphere == lens.sphere + 3 * CLICK  # three clicks at once, as a correct sphere takes
    assert len({question.lens for question in legible}) == len(legible)
    assert {question.line for question in legible} == {"20/20"}


@given(st.integers(-80, 80), st.integers(0, 70), pairs, answers, st.sampled_from(("20/15", "20/20", "20/30")))
def test_minus_is_never_given_beyond_what_the_count_asks_for(
    base: int, clicks: int, pair: Meaning, no: Meaning, line: str
) -> None:
    lens = Lens(base * CLICK)
    at = eye(lens)
    step, left, told = walk(OverMinus.begin(at), at, unreadable_from(clicks, lens.sphere, pair, no, line))
    assert isinstance(step, OverMinus)
    least = lens.sphere if left.clicks is None or left.clicks >= 3 else lens.sphere - (3 - left.clicks) * CLICK
    assert least <= left.lens.sphere
    if left.clicks is not None and left.clicks > 3:
        assert left.lens.sphere <= lens.sphere + (left.clicks - 3) * CLICK
    else:
        assert left.lens.sphere <= lens.sphere
    assert left.lens.with_sphere(0) == lens.with_sphere(0)
    for question, move in told:
        for shown in (question.second if isinstance(question, Choice) else move.eye.lens, move.eye.lens):
            assert plan.SPHERE_LOW <= shown.sphere <= plan.SPHERE_HIGH
        if isinstance(question, Legible):
            assert plan.SPHERE_LOW <= question.lens.sphere <= plan.SPHERE_HIGH


def test_a_line_that_is_never_lost_is_a_caution_and_moves_nothing() -> None:
    lens = Lens.of(-3)
    at = eye(lens)
    _, left, told = walk(OverMinus.begin(at), at, lambda question: heard(Meaning.YES))
    assert [flag.code for _, move in told for flag in move.flags] == ["never_blurred"]
    assert left.lens == lens
    assert len(told) <= 8


@pytest.mark.parametrize("sphere", [2000, 1975, 1950, 1925])
def test_at_the_end_of_the_dial_the_check_goes_as_far_as_the_dial(sphere: int) -> None:
    at = eye(Lens(sphere))
    _, left, told = walk(OverMinus.begin(at), at, lambda question: heard(Meaning.YES))
    shown = [question.lens.sphere for question, _ in told if isinstance(question, Legible)]
    assert max(shown) == 2000
    assert left.lens.sphere == sphere


@pytest.mark.parametrize(
    ("line", "shown"), [("20/15", "20/20"), ("20/20", "20/20"), ("20/25", "20/20"), ("20/40", "20/40")]
)
def test_the_best_line_is_shown_or_20_20_where_that_is_read(line: str, shown: str) -> None:
    """Show the best line, 20/20 where it is read (common practice, no source)."""
    at = eye(Lens.of(-3), line)
    question = OverMinus.begin(at).ask(at)
    assert isinstance(question, Legible)
    assert question.line == shown


def test_an_eye_that_sees_poorly_is_counted_but_not_moved() -> None:
    """A large letter stands more blur: the rule of three clicks is for eyes that see well (design)."""
    lens = Lens.of(-3)
    at = eye(lens, "20/100")
    _, left, _ = walk(OverMinus.begin(at), at, unreadable_from(9, lens.sphere, Meaning.SECOND))
    assert left.clicks == 9
    assert left.lens == lens


@given(st.lists(st.tuples(answers, pairs, st.sampled_from(("20/20", "20/40", "20/100")), st.booleans()), max_size=40))
def test_a_dial_set_meanwhile_begins_the_count_anew(told: list[tuple[Meaning, Meaning, str, bool]]) -> None:
    at = eye(Lens.of(-3))
    step = OverMinus.begin(at)
    for legible, pair, line, turn in told:
        question = step.ask(at)
        if question is None:
            break
        if turn:
            at = at.to(at.lens.with_sphere(-500))
            step = step.rebased(at)
            question = step.ask(at)
            assert isinstance(question, Legible)
            assert question.lens.sphere == -500 + 3 * CLICK
        reply = {
            "legible": heard(legible),
            "choice": heard(pair),
            "acuity": heard(Meaning.SET_ACUITY, line),
        }[question.form]
        move = step.answer(at, reply)
        assert isinstance(move.step, OverMinus)
        step, at = move.step, move.eye

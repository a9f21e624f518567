"""Whether a number is acted on. The likelihoods here are made up; the bars are looked at by their consequences."""

from __future__ import annotations

import pytest

from assistant.grammar import Grammars, Parsed
from assistant.hearing.number_acceptance import (
    NumberWeighing,
    judge_number,
    number_readings,
    number_words,
    pace,
    plain_number,
    sure_number,
    syllables,
)
from assistant.protocol.meanings import Meaning, Outcome


@pytest.fixture
def read(grammars: Grammars):
    def parsed(text: str) -> Parsed:
        found = grammars.get("command").parse(text)
        assert found is not None
        return found

    return parsed


def weighing(
    likely: dict[Parsed, float],
    free: Parsed | None = None,
    text: str = "",
    active: float = 0.0,
    behind: dict[str, float] | None = None,
):
    best = max(likely, key=lambda one: likely[one])
    usual = 0.27 + 0.171 * syllables(best.text)
    written = text or (free.text if free else "hm")
    return NumberWeighing(tuple(likely.items()), written, free, active or usual, behind or {})


def test_a_number_clearly_ahead_of_all_others_is_heard(read) -> None:
    heard = judge_number(weighing({read("axis forty"): -3.0, read("axis fourteen"): -7.0}))
    assert heard.accepted and (heard.meaning, heard.value) == (Meaning.SET_AXIS, 40) and heard.score == -3.0


def test_a_number_with_another_close_behind_is_in_doubt(read) -> None:
    heard = judge_number(weighing({read("axis forty"): -3.0, read("axis fourteen"): -3.9}))
    assert heard.outcome is Outcome.DOUBTFUL and heard.value == 40


def test_two_wordings_of_one_number_are_one_reading(read) -> None:
    two = weighing({read("axis forty"): -3.0, read("set axis forty"): -3.2, read("axis fifty"): -4.5})
    assert [(reading.parsed.value) for reading in number_readings(two)] == [40, 50]
    assert judge_number(two).accepted  # 0.6 nats more than the likelier alone


def test_what_fits_no_number_is_not_understood(read) -> None:
    assert judge_number(weighing({read("axis forty"): -11.0, read("axis fifty"): -30.0})).outcome is Outcome.DOUBTFUL
    assert judge_number(weighing({read("axis forty"): -13.5})).outcome is Outcome.NOT_UNDERSTOOD
    assert judge_number(NumberWeighing((), "hello", None, 1.0)).outcome is Outcome.NOT_UNDERSTOOD


def test_a_number_in_whose_time_more_was_said_is_in_doubt(read) -> None:
    """Of "p d sixty five and a half": what was said took longer than the words that were understood."""
    number = read("p d sixty five")
    assert judge_number(weighing({number: -4.0}, active=1.3)).accepted
    assert not judge_number(weighing({number: -4.0}, active=1.9)).accepted
    assert pace(number.text, 1.9) > 1.8


def test_a_number_that_leaves_out_a_word_of_free_writing_is_in_doubt(read) -> None:
    """Of "axis zero five eight", where "eight" was written "made"."""
    number = read("axis zero five")
    assert not judge_number(weighing({number: -5.5}, text="Axis zero five made.")).accepted
    assert judge_number(weighing({number: -5.5}, text="Access zero five.")).accepted


def test_a_power_alone_counts_only_where_it_was_written_freely(read) -> None:
    """What is left of "cylinder minus two fifty" where "cylinder" was not understood."""
    alone = read("minus two fifty")
    assert not judge_number(weighing({alone: -1.0}, text="Silly minus two fifty")).accepted
    assert judge_number(weighing({alone: -1.0}, free=alone)).accepted


def test_a_number_that_the_dials_have_is_taken_before_one_they_lack(read) -> None:
    ten_fifty, ten_fifteen = read("sphere minus ten fifty"), read("sphere minus ten fifteen")
    assert ten_fifteen.outcome is Outcome.OUT_OF_RANGE
    assert judge_number(weighing({ten_fifty: -3.0, ten_fifteen: -2.5})).value == -1050
    clearly = {ten_fifty: -14.0, ten_fifteen: -2.5}
    assert judge_number(weighing(clearly, free=ten_fifteen)).outcome is Outcome.OUT_OF_RANGE
    assert judge_number(weighing(clearly)).outcome is Outcome.DOUBTFUL  # not what was written freely


def test_nothing_more_is_looked_for_only_where_free_writing_fits_at_its_pace(read) -> None:
    axis, other = read("axis ninety"), read("axis nineteen")
    assert plain_number(weighing({axis: -2.0, other: -6.0}, free=axis))
    assert not plain_number(weighing({axis: -2.0, other: -4.5}, free=axis))
    assert not plain_number(weighing({axis: -5.0, other: -12.0}, free=axis))
    assert not plain_number(weighing({axis: -2.0, other: -6.0}))
    assert not plain_number(weighing({axis: -2.0, other: -6.0}, free=axis, active=1.6))


def test_words_of_numbers_are_counted_as_they_are_spoken() -> None:
    assert number_words("Axis 175.") == 3 and number_words("plus three quarters") == 2
    assert number_words("my daughter drove me here today") == 0


@pytest.mark.parametrize(
    ("text", "count"),  # as a dictionary divides them (Merriam-Webster, from memory); "fire" may have two
    [("sphere", 1), ("axis", 2), ("seventy", 3), ("cylinder", 3), ("plus three quarters", 4), ("vision", 2)],
)
def test_syllables(text: str, count: int) -> None:
    assert syllables(text) == count


def test_what_the_listener_for_words_is_sure_of_need_only_be_liked_better_than_all_else(read) -> None:
    forty, fourteen = read("axis forty"), read("axis fourteen")
    badly_written = {forty: -14.0, fourteen: -19.0}
    assert not judge_number(weighing(badly_written)).accepted
    assert judge_number(weighing(badly_written, behind={"axis fourteen": -8.0, "axis forty": -0.1})).accepted
    assert not judge_number(weighing(badly_written, behind={"axis fourteen": -0.5, "axis forty": -0.1})).accepted
    assert not judge_number(weighing({forty: -20.0}, behind={"axis forty": -0.1})).accepted
    slow = weighing(badly_written, behind={"axis fourteen": -8.0, "axis forty": -0.1}, active=2.5)
    assert not judge_number(slow).accepted


def test_the_listener_for_words_can_turn_a_hearing_into_a_doubt_but_not_into_another_number_by_itself(read) -> None:
    """Free writing is sure of forty, the listener heard fourteen: asked again."""
    likely = {read("axis forty"): -2.0, read("axis fourteen"): -7.0}
    assert judge_number(weighing(likely)).accepted
    assert not judge_number(weighing(likely, behind={"axis forty": -5.5, "axis fourteen": 0.0})).accepted


def test_nothing_else_is_looked_for_only_where_both_like_the_same(read) -> None:
    forty, fourteen = read("axis forty"), read("axis fourteen")
    behind = {"axis forty": 0.0, "axis fourteen": -6.0}
    assert sure_number(weighing({forty: -3.0, fourteen: -7.0}, behind=behind))
    assert not sure_number(weighing({forty: -3.0, fourteen: -7.0}))
    assert not sure_number(weighing({forty: -7.0, fourteen: -17.0}, behind=behind))
    assert not sure_number(weighing({forty: -3.0, fourteen: -2.0}, behind=behind))

"""Whether a hearing is acted on. The likelihoods here are made up; the bars are looked at by their consequences."""

from __future__ import annotations

from dataclasses import replace

import pytest

from assistant.grammar import Grammars, Parsed
from assistant.hearing.acceptance import (
    Candidate,
    Weighing,
    judge,
    judge_listened,
    judge_together,
    may_be_answer,
    pause_for,
    plain,
    worth_another_look,
)
from assistant.hearing.cutter import LONG_PAUSE, NUMBER_PAUSE, QUICK_PAUSE
from assistant.hearing.second_opinion import Opinion
from assistant.protocol.meanings import Heard, Meaning, Outcome


def weighing(
    parsed: dict[Parsed, float],
    free_logp: float = -3.0,
    opinion: Opinion | None = None,
    free_parsed: Parsed | None = None,
) -> Weighing:
    return Weighing(
        candidates=tuple(Candidate(one, logp) for one, logp in parsed.items()),
        free_text="hm",
        free_parsed=free_parsed,
        free_logp=free_logp,
        empty_logp=-6.0,
        seconds=0.9,
        opinion=opinion,
    )


@pytest.fixture
def one(grammars: Grammars) -> Parsed:
    return parsed(grammars, "choice", "one")


@pytest.fixture
def two(grammars: Grammars) -> Parsed:
    return parsed(grammars, "choice", "two")


def parsed(grammars: Grammars, state: str, text: str) -> Parsed:
    found = grammars.get(state).parse(text)
    assert found is not None
    return found


def test_a_doubtful_answer_is_sure_when_a_second_look_bears_it_out(one: Parsed, two: Parsed) -> None:
    first, second = weighing({one: -5.5, two: -9.0}), weighing({one: -3.5, two: -8.0})
    assert judge(first).outcome is Outcome.DOUBTFUL and worth_another_look(first)
    together = judge_together(first, second)
    assert together.accepted and together.meaning is Meaning.FIRST


def test_two_looks_that_see_different_lenses_stay_in_doubt(one: Parsed, two: Parsed) -> None:
    first, second = weighing({one: -5.5, two: -9.0}), weighing({one: -9.0, two: -1.0})
    assert judge_together(first, second).outcome is Outcome.DOUBTFUL


def test_two_looks_with_the_other_lens_close_behind_stay_in_doubt(one: Parsed, two: Parsed) -> None:
    close = weighing({one: -4.5, two: -5.5})
    assert judge_together(close, close).outcome is Outcome.DOUBTFUL


def test_what_is_hopeless_or_no_lens_is_not_looked_at_again(grammars: Grammars, one: Parsed) -> None:
    assert not worth_another_look(weighing({one: -9.5}))
    assert not worth_another_look(weighing({parsed(grammars, "choice", "again"): -5.5}))


def test_a_second_opinion_bears_out_a_word_that_noise_has_made_doubtful(one: Parsed, two: Parsed) -> None:
    alone = weighing({one: -8.0, two: -9.5})
    assert not judge_together(alone, alone).accepted
    agreed = weighing({one: -8.0, two: -9.5}, opinion=Opinion(one=2.5, two=-1.5))
    assert worth_another_look(agreed) and judge_together(agreed, agreed).meaning is Meaning.FIRST
    assert judge_together(agreed, agreed).accepted


def test_a_second_opinion_alone_settles_nothing(one: Parsed, two: Parsed) -> None:
    """A mumbled "one": its dark sound is like that of "two", and the decoder cannot tell."""
    mumbled = weighing({two: -6.0, one: -6.2}, opinion=Opinion(one=-3.0, two=2.5))
    assert worth_another_look(mumbled) and not judge_together(mumbled, mumbled).accepted


def test_a_second_opinion_that_it_is_neither_leaves_it_in_doubt(one: Parsed, two: Parsed) -> None:
    """Speech about something else, which two looks alone would have let pass."""
    first, second = (weighing({one: logp, two: -9.0}, opinion=Opinion(-2.0, -2.5)) for logp in (-5.5, -4.5))
    assert not judge_together(first, second).accepted


def test_a_word_taken_for_neither_is_in_doubt_however_well_it_fits(one: Parsed, two: Parsed) -> None:
    """As "number two" of a synthetic voice was weighed in white noise at 10 dB: "one" cleared its bar, and the
    second opinion was that it is neither word. A lone "one" that sounds like one is still heard."""
    number_two = weighing({one: -3.7, two: -8.0}, opinion=Opinion(one=-1.5, two=-1.7))
    assert judge(number_two).outcome is not Outcome.HEARD
    lone = weighing({one: -3.7, two: -8.0}, opinion=Opinion(one=0.5, two=-1.7))
    assert judge(lone).accepted


@pytest.mark.parametrize("logp", [-0.1, -4.0, -6.0])
def test_a_second_opinion_for_the_other_word_leaves_any_hearing_in_doubt(one: Parsed, two: Parsed, logp: float) -> None:
    contradicted = weighing({one: logp, two: -12.0}, free_logp=-0.1, opinion=Opinion(one=0.5, two=2.6))
    assert judge(contradicted).outcome is not Outcome.HEARD
    assert not judge_together(contradicted, contradicted).accepted


def test_the_listener_decides_what_is_in_doubt(one: Parsed, two: Parsed) -> None:
    doubtful = weighing({one: -8.0, two: -9.5})
    assert not judge(doubtful).accepted and may_be_answer(doubtful)
    heard = judge_listened(doubtful, Opinion(one=2.5, two=-3.5))
    assert heard is not None and heard.accepted and heard.meaning is Meaning.FIRST


@pytest.mark.parametrize(
    "opinion",
    [
        Opinion(one=-0.5, two=-4.0),  # more likely another sound
        Opinion(one=2.0, two=1.0),  # the other word nearly as likely
        Opinion(one=-3.0, two=2.0),  # a word the decoder does not lean to
        Opinion(one=0.5, two=-4.0),  # hardly more likely than another sound, and it fits badly
    ],
)
def test_what_the_listener_is_not_sure_of_stays_in_doubt(one: Parsed, two: Parsed, opinion: Opinion) -> None:
    assert judge_listened(weighing({one: -9.0, two: -10.5}), opinion) is None


def test_the_listener_is_not_asked_about_more_than_a_word(grammars: Grammars, one: Parsed, two: Parsed) -> None:
    assert not may_be_answer(replace(weighing({one: -8.0, two: -9.5}), seconds=1.8))
    assert not may_be_answer(weighing({one: -8.0}))  # a state in which nothing is two
    assert not may_be_answer(weighing({parsed(grammars, "choice", "number one"): -8.0, two: -9.5}))


def test_the_listener_does_not_take_a_part_for_the_whole(grammars: Grammars, one: Parsed, two: Parsed) -> None:
    """In "the second one" there is a "one", and in "not two" a "two"; each means something else."""
    whole = weighing({one: -7.0, two: -11.0, parsed(grammars, "choice", "second one"): -12.0})
    assert may_be_answer(whole) and judge_listened(whole, Opinion(one=3.0, two=-3.0)) is None
    negated = parsed(grammars, "choice", "not two")
    assert negated.outcome is Outcome.DOUBTFUL
    assert not may_be_answer(weighing({two: -7.0, one: -9.0}, free_parsed=negated))
    assert not may_be_answer(weighing({two: -7.0, one: -9.0, negated: -5.0}))


def test_the_second_opinion_has_no_say_about_other_words(grammars: Grammars) -> None:
    again = parsed(grammars, "choice", "again")
    assert judge(weighing({again: -2.0}, opinion=Opinion(one=4.0, two=-4.0))).meaning is Meaning.AGAIN


def test_nothing_more_is_looked_for_only_where_both_say_the_same_plainly(one: Parsed, grammars: Grammars) -> None:
    agrees, differs = Opinion(one=1.0, two=-2.0), Opinion(one=1.0, two=0.5)
    assert plain(weighing({one: -1.0}, free_logp=-1.0, free_parsed=one, opinion=agrees))
    assert not plain(weighing({one: -1.0}, free_logp=-1.0, free_parsed=one, opinion=differs))
    assert not plain(weighing({one: -3.5}, free_logp=-3.5, free_parsed=one, opinion=agrees))
    assert not plain(weighing({one: -1.0}, free_logp=-1.0, free_parsed=one))
    longer = parsed(grammars, "choice", "number one")
    assert not plain(weighing({longer: -1.0}, free_logp=-1.0, free_parsed=longer, opinion=agrees))


@pytest.mark.parametrize(
    ("text", "pause"),
    [
        ("axis one seventy five", QUICK_PAUSE),
        ("axis one seventy", NUMBER_PAUSE),  # ... "five"
        ("sphere minus two", NUMBER_PAUSE),  # ... "point five"
        ("sphere minus two point five", QUICK_PAUSE),
        ("cylinder minus a half", QUICK_PAUSE),
    ],
)
def test_a_number_that_may_go_on_is_waited_for(grammars: Grammars, text: str, pause: int) -> None:
    said = parsed(grammars, "command", text)
    assert said.value is not None
    heard = Heard(said.text, Outcome.HEARD, said.meaning, said.value)
    assert pause_for(heard, grammars.get("command")) == pause
    doubtful = Heard(said.text, Outcome.DOUBTFUL, said.meaning, said.value)
    assert pause_for(doubtful, grammars.get("command")) == LONG_PAUSE


def test_a_command_with_a_value_has_to_be_farther_ahead(grammars: Grammars) -> None:
    """The left eye for the right does more harm than "next" for "skip"."""
    left, right = parsed(grammars, "command", "recheck left eye"), parsed(grammars, "command", "recheck right eye")
    off, recheck = parsed(grammars, "command", "refine"), parsed(grammars, "command", "recheck")
    assert judge(weighing({recheck: -2.0, off: -3.7})).accepted
    assert not judge(weighing({left: -2.0, right: -3.7})).accepted
    assert judge(weighing({left: -2.0, right: -4.2})).accepted

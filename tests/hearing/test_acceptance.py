"""Whether a hearing is acted on. The likelihoods here are made up; the bars are looked at by their consequences."""

from __future__ import annotations

import pytest

from assistant.grammar import Grammars, Parsed
from assistant.hearing.acceptance import Candidate, Weighing, judge, judge_together, worth_another_look
from assistant.protocol.meanings import Meaning, Outcome


def weighing(parsed: dict[Parsed, float], free_logp: float = -3.0, active: float = 0.4, free: str = "hm") -> Weighing:
    return Weighing(
        candidates=tuple(Candidate(one, logp) for one, logp in parsed.items()),
        free_text=free,
        free_parsed=None,
        free_logp=free_logp,
        empty_logp=-6.0,
        seconds=0.9,
        active=active,
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


def test_a_number_less_well_heard_counts_only_where_its_words_leave_time_to_spare(grammars: Grammars) -> None:
    """Of "p d sixty five and a half": what was said took longer than the words that were understood."""
    number = parsed(grammars, "command", "p d sixty five")
    assert judge(weighing({number: -5.2}, active=1.0, free="PDS 65.")).accepted
    assert not judge(weighing({number: -5.2}, active=1.0, free="Beady sexy five.")).accepted
    assert not judge(weighing({number: -5.2}, active=1.58, free="Bd65.")).accepted
    assert not judge(weighing({number: -5.2}, active=2.5, free="Bd65.")).accepted

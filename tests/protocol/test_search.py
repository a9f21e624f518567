"""The search along one dial, as a pure procedure."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from assistant.protocol.search import Search

END = 2000  # dial ends, both sides


@st.composite
def searches(draw: st.DrawFn) -> Search:
    """A search as a step begins one: setting on the grid, steps of powers of two times the finest."""
    finest = draw(st.sampled_from((25, 50)))
    step = finest * draw(st.sampled_from((1, 2, 4)))
    widest = step * draw(st.sampled_from((1, 2, 4)))
    at = draw(st.integers(-END // finest, END // finest)) * finest
    return Search(at, step, draw(st.sampled_from((1, -1))), finest, widest)


def on_dial(search: Search) -> Search:
    """Proposals beyond the dial's ends are refused, as the steps do."""
    while not search.done and not -END <= search.proposal <= END:
        search = search.refuse()
    return search


@given(searches(), st.floats(-2 * END, 2 * END))
def test_it_ends_within_half_the_finest_step_of_the_best_setting(search: Search, best: float) -> None:
    """Whatever lies nearer to the best setting is better: a loss of the shape of a V."""
    start, distance, first_step = search.at, abs(search.at - best), search.step
    proposals = 0
    while not search.done:
        nearer = abs(search.proposal - best) < abs(search.at - best)
        search = search.taken() if nearer else search.refuse()
        proposals += 1
        # A walk by the first step, then at most a few pairs at each of four sizes.
        assert proposals <= distance / first_step + 14
    assert abs(search.at - best) <= search.finest / 2
    assert (search.at - start) % search.finest == 0


@given(searches(), st.floats(END, 1.5 * END), st.sampled_from((1, -1)))
def test_a_best_setting_beyond_the_dial_ends_the_search_near_the_end_of_the_dial(
    search: Search, beyond: float, side: int
) -> None:
    best = side * beyond
    search = on_dial(search)
    while not search.done:
        nearer = abs(search.proposal - best) < abs(search.at - best)
        search = on_dial(search.taken() if nearer else search.refuse())
    reached = side * END
    # A proposal beyond the dial counts as refused like any other: it may leave half the widest step untried.
    assert abs(search.at - reached) <= search.widest / 2 + search.finest


@given(searches(), st.lists(st.booleans(), max_size=60))
def test_any_answers_stay_on_the_grid_and_on_the_dial(search: Search, answers: list[bool]) -> None:
    start = search.at
    search = on_dial(search)
    for better in answers:
        if search.done:
            break
        assert search.finest <= search.step <= search.widest
        assert search.toward in (1, -1)
        assert -END <= search.proposal <= END
        assert (search.proposal - start) % search.finest == 0
        before = search.at
        search = search.taken() if better else search.refuse()
        assert search.at == before or better
        search = on_dial(search)


@given(searches())
def test_nothing_better_anywhere_leaves_the_setting_in_a_few_proposals(search: Search) -> None:
    start, proposals = search.at, 0
    while not search.done:
        search, proposals = search.refuse(), proposals + 1
    assert search.at == start
    sizes = 1 + int(math.log2(4))
    assert proposals <= 2 * sizes


@given(searches())
def test_plus_without_end_ends_at_the_end_of_the_dial(search: Search) -> None:
    """Someone for whom more plus is always better."""
    search = on_dial(search)
    proposals = 0
    while not search.done and proposals <= 4 * END // search.finest:
        towards_plus = search.toward > 0
        search = on_dial(search.taken() if towards_plus else search.refuse())
        proposals += 1
    assert search.done
    assert search.at >= END - search.widest / 2 - search.finest  # as above


@given(searches(), st.integers(-80, 80))
def test_begun_anew_from_another_setting_nothing_is_remembered_of_the_old_one(search: Search, clicks: int) -> None:
    anew = search.refuse().rebased(clicks * 25)
    assert anew.at == clicks * 25
    assert not anew.refused
    assert not anew.bounded
    assert anew.toward == 1
    assert anew.step == search.refuse().step

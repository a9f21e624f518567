from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx

from assistant.optics.lens import LensError
from assistant.optics.near import (
    PUBLISHED_ADDS,
    NearError,
    add_by_age,
    add_by_amplitude,
    check_add,
    largest_amplitude,
    least_amplitude,
    mean_amplitude,
    published_range,
    round_add,
)

AGES = st.floats(0, 120)


@pytest.mark.parametrize(
    "age, least, mean, largest",
    # Hofstetter: 15 - 0.25 age, 18.5 - 0.30 age, 25 - 0.40 age; worked by hand
    [
        (10, 12.5, 15.5, 21.0),
        (20, 10.0, 12.5, 17.0),
        (40, 5.0, 6.5, 9.0),
        (45, 3.75, 5.0, 7.0),
        (60, 0.0, 0.5, 1.0),
    ],
)
def test_hofstetter(age: float, least: float, mean: float, largest: float) -> None:
    assert least_amplitude(age) == approx(least)
    assert mean_amplitude(age) == approx(mean)
    assert largest_amplitude(age) == approx(largest)


@given(AGES, AGES)
def test_amplitude_falls_with_age_and_is_never_negative(a: float, b: float) -> None:
    for amplitude in (least_amplitude, mean_amplitude, largest_amplitude):
        assert amplitude(min(a, b)) >= amplitude(max(a, b)) >= 0
    assert least_amplitude(a) <= mean_amplitude(a) <= largest_amplitude(a)


@pytest.mark.parametrize(
    "amplitude, age, distance, add",
    # 1/working distance - x·amplitude, x = 2/3 below about 52 years, 1/2 above (Millodot, Dictionary of
    # Optometry, 2009); worked by hand
    [
        (1.50, 51, 0.40, 150),  # 2.50 - 1.00
        (1.50, 52, 0.40, 175),  # 2.50 - 0.75
        (2.00, 55, 0.40, 150),  # 2.50 - 1.00
        (0.00, 70, 0.40, 250),
        (0.00, 70, 0.50, 200),
        (3.00, 45, 0.40, 50),  # 2.50 - 2.00
        (5.00, 45, 0.40, 0),  # enough of its own
        (0.25, 60, 0.40, 225),  # 2.375: a tie to the weaker
    ],
)
def test_add_from_amplitude(amplitude: float, age: float, distance: float, add: int) -> None:
    assert add_by_amplitude(amplitude, age, distance) == add


@given(st.floats(0, 25), st.floats(0, 25), AGES)
def test_more_amplitude_needs_no_more_add(a: float, b: float, age: float) -> None:
    assert add_by_amplitude(max(a, b), age) <= add_by_amplitude(min(a, b), age)


@pytest.mark.parametrize(
    "from_age, to_age, least, largest",
    # Millodot, Dictionary of Optometry, 2009
    [(45, 50, 1.00, 1.25), (50, 55, 1.50, 1.75), (55, 60, 2.00, 2.25), (60, 90, 2.50, 3.00)],
)
def test_add_by_age_is_within_the_published_ranges(from_age: int, to_age: int, least: float, largest: float) -> None:
    for age in range(from_age, to_age):
        assert least <= add_by_age(age) / 100 <= largest
        assert published_range(age + 0.5) == (least * 100, largest * 100)


@given(AGES, AGES)
def test_add_never_falls_as_age_rises(a: float, b: float) -> None:
    assert add_by_age(min(a, b)) <= add_by_age(max(a, b))
    assert check_add(add_by_age(a)) == add_by_age(a)
    least, largest = published_range(a)
    assert least <= add_by_age(a) <= largest


@pytest.mark.parametrize(
    "age, add",
    # each published range (above) taken half by half; the halves are the project's own choice
    [(45, 100), (47, 100), (48, 125), (49, 125), (50, 150), (52, 150), (53, 175), (54, 175), (55, 200),
     (57, 200), (58, 225), (59, 225), (60, 250), (85, 250)],
)  # fmt: skip
def test_add_by_age(age: int, add: int) -> None:
    assert add_by_age(age) == add


def test_the_young_need_none_and_the_forties_little() -> None:
    # common practice, no source
    assert add_by_age(39) == 0
    assert add_by_age(40) == add_by_age(44) == 75
    assert published_range(44) == (0, 100)


def test_a_shared_limit_belongs_to_both_ranges() -> None:
    assert published_range(50) == (100, 175)
    assert published_range(60) == (200, 300)
    assert all(a[1] == b[0] for a, b in pairwise(PUBLISHED_ADDS))


def test_another_working_distance_moves_the_add_by_its_dioptres() -> None:
    # common practice, no source: 33 cm asks for half a dioptre more than 40 cm, 66 cm for one less
    assert add_by_age(60, 0.333) == 300
    assert add_by_age(60, 0.667) == 150
    assert add_by_age(45, 0.667) == 0


@given(st.floats(-20, 20))
def test_adds_are_quarter_steps_within_bounds(dioptres: float) -> None:
    add = round_add(dioptres)
    assert check_add(add) == add
    if 0 <= dioptres <= 5:
        assert abs(add / 100 - dioptres) <= 0.125 + 1e-9


@pytest.mark.parametrize(
    "make, names",
    [
        (lambda: mean_amplitude(-1), "age: -1"),
        (lambda: least_amplitude(121), "age: 121"),
        (lambda: largest_amplitude(math.nan), "age: nan"),
        (lambda: add_by_age(-1), "age: -1"),
        (lambda: add_by_age(50, 0), "working distance: 0 m"),
        (lambda: add_by_amplitude(2, 50, 40), "working distance: 40 m"),
        (lambda: add_by_amplitude(-1, 50), "amplitude: -1 D"),
        (lambda: published_range(500), "age: 500"),
        (lambda: round_add(math.nan), "add: nan"),
        (lambda: check_add(-25), r"add: -0\.25"),
        (lambda: check_add(525), r"add: \+5\.25"),
        (lambda: check_add(110), r"add: \+1\.10"),
    ],
)
def test_what_cannot_be_is_refused_by_name(make, names) -> None:
    with pytest.raises(NearError, match=names):
        make()


def test_an_add_in_dioptres_is_refused_where_hundredths_are_meant() -> None:
    with pytest.raises(LensError, match=r"add: 2\.5 is not a whole number"):
        check_add(2.5)

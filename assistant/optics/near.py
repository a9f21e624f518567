"""Accommodation by age and the tentative near addition. Additions are whole hundredths of a dioptre.

A tentative add misses the final one by more than 0.50 D at the 95 % limits (Arq Bras Oftalmol
2013;76:218-220): it is where the refinement on near print starts, never the result.
"""

from __future__ import annotations

import math

from .lens import CLICK, check_whole

WORKING_DISTANCE = 0.40  # metres; common practice for near print
LARGEST_ADD = 500  # hundredths of a dioptre: add 0 to 5 (Nictiz zib Refraction profile)
OLDEST = 120  # years

# Share of the amplitude that can be kept up at near: two thirds below about 52 years, a half from there on
# (Millodot, Dictionary of Optometry, 2009).
_SHARE_CHANGES_AT = 52  # years
_YOUNGER_SHARE, _OLDER_SHARE = 2 / 3, 1 / 2

# (from age, to age, least add, largest add) at the usual reading distance: Millodot 2009. Neighbouring ranges
# share their limit; the last has no upper one.
PUBLISHED_ADDS = ((45, 50, 100, 125), (50, 55, 150, 175), (55, 60, 200, 225), (60, OLDEST, 250, 300))

# (from age, add): each published range taken half by half, +2.50 for the last, as that is all 40 cm asks for.
# Below 45: common practice, no source; below 40 none is expected.
_ADD_BY_AGE = ((60, 250), (58, 225), (55, 200), (53, 175), (50, 150), (48, 125), (45, 100), (40, 75))


class NearError(ValueError):
    """An age, amplitude or distance that cannot be; the message names it and the rule."""


def _age(age: float) -> float:
    if not 0 <= age <= OLDEST:
        raise NearError(f"age: {age:g} is outside 0-{OLDEST} years")
    return age


def least_amplitude(age: float) -> float:
    """Smallest amplitude of accommodation (dioptres) to expect at an age: 15 - 0.25 age (Hofstetter)."""
    return max(0.0, 15 - 0.25 * _age(age))


def mean_amplitude(age: float) -> float:
    """Mean amplitude of accommodation (dioptres) at an age: 18.5 - 0.30 age (Hofstetter)."""
    return max(0.0, 18.5 - 0.30 * _age(age))


def largest_amplitude(age: float) -> float:
    """Largest amplitude of accommodation (dioptres) to expect at an age: 25 - 0.40 age (Hofstetter)."""
    return max(0.0, 25 - 0.40 * _age(age))


def round_add(dioptres: float) -> int:
    """An add (dioptres) in hundredths: the nearest quarter, a tie to the weaker, kept within 0 to +5.00."""
    if not math.isfinite(dioptres):
        raise NearError(f"add: {dioptres!r} is not a number of dioptres")
    clicks = math.ceil(dioptres * 100 / CLICK - 0.5 - 1e-9)
    return min(max(clicks * CLICK, 0), LARGEST_ADD)


def _near_demand(working_distance: float) -> float:
    if not 0.1 <= working_distance <= 2:
        raise NearError(f"working distance: {working_distance:g} m is outside 0.1-2 m")
    return 1 / working_distance


def add_by_amplitude(amplitude: float, age: float, working_distance: float = WORKING_DISTANCE) -> int:
    """Tentative add (hundredths) from a measured amplitude of accommodation (dioptres).

    1/working distance (m) less the share of the amplitude that can be kept up (Millodot 2009), in quarter
    steps.
    """
    if not 0 <= amplitude <= 25:
        raise NearError(f"amplitude: {amplitude:g} D is outside 0-25 D")
    share = _YOUNGER_SHARE if _age(age) < _SHARE_CHANGES_AT else _OLDER_SHARE
    return round_add(_near_demand(working_distance) - share * amplitude)


def add_by_age(age: float, working_distance: float = WORKING_DISTANCE) -> int:
    """Tentative add (hundredths) by age (years) alone, within that age's published range; rises with age.

    The table holds for 40 cm; another working distance (m) changes it by the difference in dioptres, in
    quarter steps (common practice, no source). 0 below 40 years.
    """
    demand = _near_demand(working_distance)
    for from_age, add in _ADD_BY_AGE:
        if _age(age) >= from_age:
            return round_add(add / 100 + demand - 1 / WORKING_DISTANCE)
    return 0


def published_range(age: float) -> tuple[int, int]:
    """(least, largest) add in hundredths published for an age (Millodot 2009); at a shared limit both ranges.

    Below 45 years nothing is published: from none to the least of the first range.
    """
    years = _age(age)
    ranges = [(least, largest) for start, end, least, largest in PUBLISHED_ADDS if start <= years <= end]
    if not ranges:
        return (0, PUBLISHED_ADDS[0][2])
    return (ranges[0][0], ranges[-1][1])


def check_add(add: int) -> int:
    """The add itself, where it is one: hundredths, 0 to +5.00 in quarter steps. Raises NearError if not."""
    check_whole("add", add, "hundredths of a dioptre")
    if not 0 <= add <= LARGEST_ADD or add % CLICK:
        raise NearError(f"add: {add / 100:+.2f} is not a quarter step from 0.00 to +{LARGEST_ADD / 100:.2f}")
    return add

"""The near addition: tentative by age or by amplitude, then quarters at the working distance, both eyes open.

The lens of a pair is the right eye's distance lens with the add on it; the left eye gets the same add. A tentative
add misses the final one by more than 0.50 D at the 95 % limits (Arq Bras Oftalmol 2013;76:218-220), so it is
refined; a choice never takes it further than that, nor out of what is published for the age (Millodot,
Dictionary of Optometry, 2009): beyond it the examiner sets the add by command. Equal pictures leave the add alone:
what an eye can focus for a moment it need not keep up; and a step is taken only where the pair in reverse order
says the same.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from ...optics.lens import Lens
from ...optics.near import LARGEST_ADD, PUBLISHED_ADDS, add_by_age, add_by_amplitude
from .. import plan
from ..both import BothMove, BothState
from ..meanings import Heard, Meaning
from ..questions import Choice, Eye, Value


def tentative(age: int, amplitude: float | None, centimetres: int) -> int:
    """Tentative add, hundredths: by a measured amplitude of accommodation where there is one, else by age."""
    distance = centimetres / 100
    if amplitude is not None:
        return add_by_amplitude(amplitude, age, distance)
    return add_by_age(age, distance)


def allowed(age: int, amplitude: float | None, centimetres: int) -> tuple[int, int]:
    """(least, largest) add in hundredths that choices may lead to.

    Half a dioptre about the tentative add; and within its published range where it goes by age, another working
    distance moving that range as it moves the add.
    """
    at = tentative(age, amplitude, centimetres)
    low, high = max(at - plan.ADD_FROM_TENTATIVE, 0), min(at + plan.ADD_FROM_TENTATIVE, LARGEST_ADD)
    if amplitude is not None:
        return low, high
    least, largest = _published(age)
    moved = at - add_by_age(age)
    return max(low, min(least + moved, at)), min(high, max(largest + moved, at))


def _published(age: int) -> tuple[int, int]:
    """The published range that the tentative add for the age lies in.

    Younger than the first one: from a quarter below the tentative add to where that range begins (design).
    """
    usual = add_by_age(age)
    for start, end, least, largest in PUBLISHED_ADDS:
        if start <= age <= end and least <= usual <= largest:
            return least, largest
    return max(usual - plan.ADD_STEP, 0), PUBLISHED_ADDS[0][2]


@dataclass(frozen=True)
class Near:
    """`at` is the add now, `low` and `high` how far a choice may take it (hundredths); `ways` are still to be tried.

    `back` is the add before, once a step was preferred: the pair comes again in reverse order, and the step stays only
    where it is preferred again. `moved`: one has stayed.
    """

    id: str
    centimetres: int
    at: int
    low: int
    high: int
    ways: tuple[int, ...] = (1, -1)
    back: int | None = None
    moved: bool = False

    @staticmethod
    def begin(both: BothState) -> Near | None:
        """None where the age is not known: there is nothing to start from."""
        if both.age is None:
            return None
        facts = (both.age, both.amplitude, both.working_distance)
        return Near("near", both.working_distance, tentative(*facts), *allowed(*facts))

    @staticmethod
    def intermediate(both: BothState) -> Near | None:
        """From the near add, less what the greater distance does not ask for."""
        if both.add is None:
            return None
        less = round(100 * (100 / both.working_distance - 100 / plan.INTERMEDIATE_DISTANCE) / 25) * 25
        at = max(both.add - less, 0)
        high = min(at + plan.ADD_FROM_TENTATIVE, both.add)
        return Near("intermediate", plan.INTERMEDIATE_DISTANCE, at, max(at - plan.ADD_FROM_TENTATIVE, 0), max(high, at))

    def _next(self) -> int | None:
        for way in self.ways:
            if self.low <= self.at + way * plan.ADD_STEP <= self.high:
                return way
        return None

    def ask(self, both: BothState) -> Choice | None:
        lens = both.right.lens
        if self.back is not None:
            return Choice(Eye.BOTH, self.id, with_add(lens, self.at), with_add(lens, self.back))
        way = self._next()
        if way is None:
            return None
        first, second = with_add(lens, self.at), with_add(lens, self.at + way * plan.ADD_STEP)
        return Choice(Eye.BOTH, self.id, first, second) if first != second else None  # the dial is at its end

    def answer(self, both: BothState, heard: Heard) -> BothMove:
        second = heard.meaning is Meaning.SECOND
        if self.back is not None:
            if heard.meaning is Meaning.FIRST:
                return BothMove(replace(self, back=None, moved=True), both)
            # The place was answered, or the two are alike: the add before stands.
            return BothMove(replace(self, at=self.back, back=None, ways=()), both)
        way = self._next()
        assert way is not None
        if not second:
            return BothMove(replace(self, ways=tuple(w for w in self.ways if w != way)), both)
        return BothMove(replace(self, at=self.at + way * plan.ADD_STEP, back=self.at, ways=(way,)), both)

    @property
    def at_limit(self) -> bool:
        """Whether the last choice ended at the limit, so that the patient may want more than was offered."""
        return self.moved and bool(self.ways) and self._next() is None

    @property
    def found(self) -> int:
        """The add as it stands, hundredths: a step not yet confirmed does not count."""
        return self.at if self.back is None else self.back

    def left(self, both: BothState) -> BothState:
        """What the step leaves behind, however it ended."""
        if self.id == "intermediate":
            return replace(both, intermediate=self.found)
        return replace(both, add=self.found)


def with_add(lens: Lens, add: int) -> Lens:
    """The lens with an add on its sphere dial, as far as that goes."""
    return lens.with_sphere(min(plan.SPHERE_HIGH, lens.sphere + add))


@dataclass(frozen=True)
class NearAcuity:
    """The line both eyes read at the working distance, as a Snellen fraction reduced to it."""

    done: bool = False

    id = "near_acuity"

    def ask(self, both: BothState) -> Value | None:
        return None if self.done else Value(Eye.BOTH, self.id, self.id)

    def answer(self, both: BothState, heard: Heard) -> BothMove:
        line = str(heard.value) if heard.meaning is Meaning.SET_ACUITY else None
        return BothMove(replace(self, done=True), replace(both, near_acuity=line))

"""What the answers of one eye say about its refraction, and whether they fit together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final

import numpy as np

from ..optics.lens import Lens
from ..optics.power_vector import PowerVector
from ..optics.rounding import nearest_lens
from ..protocol.meanings import Heard, Meaning
from ..protocol.progress import EyeProgress
from ..protocol.questions import Choice, Legible, Question
from . import intervals as spans
from .cloud import Cloud
from .gain import blur_information, chances, information, shown_by
from .habit import Habit
from .intervals import Intervals
from .model import J0, J45, LAPSE, SAME, THRESHOLD, Answers, Array, M, Prior, Seen, answer_row
from .pairs import Pair


@dataclass(frozen=True)
class Limits:
    """Largest half widths (dioptres) of the 95 % intervals at which an eye is known well enough.

    The defaults are what the best human examiner repeats: M ±0.29 D, cylinder ±0.16 D (Rosenfield & Chiu,
    Optom Vis Sci 1995;72:577-579); half of that cylinder for J0 and J45 would be asking for more than the dials have.
    """

    m: float = 0.29
    j: float = 0.16
    level: float = 0.95


@dataclass(frozen=True)
class Misfit:
    """An answer the others do not lead one to expect.

    index      its place among the eye's answers, from 0; `question` and `heard` are the answer itself
    surprise   bits: minus the base-2 logarithm of its chance given all the other answers
    """

    index: int
    question: Question
    heard: Heard
    surprise: float


MISFIT_BITS: Final = 4.0  # an answer of less than one chance in sixteen (design)
HABIT_BITS: Final = 2.5  # below: as well explained by habit. Set over cohorts: typical eyes 3 % below 4.8 or more
OFF: Final = 0.5  # D: a lens farther than this from the right one is wrong
OFF_CHANCE: Final = 0.5  # more likely wrong than not
WIDENED_BY: Final = {THRESHOLD: (-2.6, 1.2), SAME: (-2.5, 0.36), LAPSE: (-3.4, 0.6)}
"""What widens an interval: the person's logarithms (the model's), against these, and the power each counts by."""
WIDENED: Final = 0.96  # for such a person
WIDENED_WITHIN: Final = (0.85, 1.9)
FEWEST: Final = 8  # choices and lines before habits can be told from looking


@dataclass(frozen=True)
class Doubt:
    """Whether an eye's answers can be relied on.

    bits   by how much (bits) the lenses foretold choices and letters better than habit did; None: too few to say
    off    chance that the eye needs a lens more than half a dioptre away from the one given (length of the vector)
    """

    bits: float | None
    off: float

    @property
    def by_habit(self) -> bool:
        """The answers do not fit together: as well explained by chance, habit or contradiction as by the lenses."""
        return self.bits is not None and self.bits < HABIT_BITS

    @property
    def lens_off(self) -> bool:
        """The answers together point to another lens, or to none."""
        return self.off > OFF_CHANCE

    @property
    def doubtful(self) -> bool:
        return self.by_habit or self.lens_off


@dataclass(frozen=True)
class Evidence:
    """The posterior over one eye's refraction, from nothing to every answer so far. Immutable.

    start   the lens the exam of this eye began from (old glasses, autorefraction), or None
    age     years, or None: bounds what the eye can focus through
    pairs   the answers taken in, in order

    The figures are in dioptres and degrees, at the refractor head as the lenses were.
    """

    start: Lens | None = None
    age: float | None = None
    pairs: tuple[Pair, ...] = ()
    _cloud: Cloud = field(init=False, repr=False, compare=False)
    _answers: Answers = field(init=False, repr=False, compare=False)
    _chances: tuple[float | None, ...] = field(init=False, repr=False, compare=False, default=())

    def __post_init__(self) -> None:
        given, pairs = None if self.start is None else self.start.vector, self.pairs
        self._become((), Cloud.of(Prior(given, self.age)), Answers.none(), ())
        for question, heard in pairs:
            self._become(*self._after(question, heard))

    def _become(
        self, pairs: tuple[Pair, ...], cloud: Cloud, answers: Answers, chances: tuple[float | None, ...]
    ) -> None:
        # Only while it is being made: afterwards nothing changes.
        object.__setattr__(self, "pairs", pairs)
        object.__setattr__(self, "_cloud", cloud)
        object.__setattr__(self, "_answers", answers)
        object.__setattr__(self, "_chances", chances)

    def _after(
        self, question: Question, heard: Heard
    ) -> tuple[tuple[Pair, ...], Cloud, Answers, tuple[float | None, ...]]:
        pairs = (*self.pairs, (question, heard))
        row = answer_row(question, heard)
        if row is None:
            return pairs, self._cloud, self._answers, (*self._chances, None)
        cloud = self._cloud.updated(row, self._answers)
        chance = cloud.log_evidence - self._cloud.log_evidence
        return pairs, cloud, self._answers.plus(row), (*self._chances, chance)

    def update(self, question: Question, heard: Heard) -> Evidence:
        """The evidence after one more answer. Answers that say nothing about the eye are kept, and change nothing."""
        new = object.__new__(Evidence)
        object.__setattr__(new, "start", self.start)
        object.__setattr__(new, "age", self.age)
        new._become(*self._after(question, heard))
        return new

    @staticmethod
    def of(progress: EyeProgress, start: Lens | None = None) -> Evidence:
        """The evidence of the answers of an eye that stand in an exam's state: what was undone is not among them.

        `start` is the lens the exam of this eye was given to begin from, or None.
        """
        return Evidence(start, progress.state.age, tuple((one.question, one.heard) for one in progress.answers))

    # -- what is known

    @property
    def _weights(self) -> Array:
        return self._cloud.weights

    @property
    def mean(self) -> PowerVector:
        """The posterior mean, a power vector (D)."""
        m, j0, j45 = self._cloud.theta[[M, J0, J45]] @ self._weights
        return PowerVector(float(m), float(j0), float(j45))

    def best_lens(self) -> Lens:
        """The lens of quarter dioptres and whole degrees nearest to the mean."""
        return nearest_lens(self.mean)

    def intervals(self, level: float = 0.95) -> Intervals:
        """Where the true refraction lies with chance `level` (0-1, exclusive)."""
        if not 0 < level < 1:
            raise ValueError(f"level: {level!r} is not between 0 and 1")
        vector, weights = self._cloud.theta[:3], self._weights
        mean = (vector @ weights)[:, None]
        m, j0, j45 = mean + self._widening() * (vector - mean)
        return spans.of_cloud(m, j0, j45, weights, level)

    def _widening(self) -> float:
        """By how much the posterior is drawn out for its intervals: the less steady the person, the more.

        The prior draws every person toward the middle, so of one who answers worse than most too much is believed, and
        of a steady one too little. Set on virtual patients of four seeds (77 to 80), so that each kind's 95 % intervals
        hold the truth about so often; `bench evidence` tells of others.
        """
        person = self._cloud.theta[list(WIDENED_BY)] @ self._weights
        middle, share = np.array(list(WIDENED_BY.values())).T
        return float(np.clip(WIDENED * np.exp(share @ (person - middle)), *WIDENED_WITHIN))

    def off(self, lens: Lens, within: float = 0.5) -> float:
        """Chance that the eye needs a lens farther than `within` dioptres from this one (length of the vector), the
        posterior drawn out as for the intervals."""
        return spans.share_beyond(self._cloud.theta[:3], self._weights, lens, self._widening(), within)

    def enough(self, limits: Limits | None = None) -> bool:
        """Whether every interval is within the limits."""
        limits = limits or Limits()
        now = self.intervals(limits.level)
        return now.m.half <= limits.m and max(now.j0.half, now.j45.half) <= limits.j

    # -- what to ask

    def gain(self, question: Question) -> float:
        """Bits the answer to a question is expected to add about the eye's blur, and so about its power vector.

        Raises ValueError for a question whose answer says nothing about the eye.
        """
        seen = Seen(self._cloud.theta, self.age)
        return blur_information(chances(question, seen), shown_by(question, seen), self._weights)

    def information(self, question: Question) -> float:
        """Bits the answer is expected to add about the eye and the person together: QUEST+'s measure."""
        return information(chances(question, Seen(self._cloud.theta, self.age)), self._weights)

    def best_pair(self, candidates: Sequence[Choice]) -> Choice:
        """The most telling of the pairs that may be shown; the first of equals. Raises ValueError for none."""
        if not candidates:
            raise ValueError("candidates: there is no pair to choose from")
        return max(candidates, key=self.gain)

    # -- whether the answers fit together

    def misfits(self, bits: float = MISFIT_BITS) -> tuple[Misfit, ...]:
        """Answers at least `bits` surprising given all the others, most surprising first.

        An answer's chance without itself is the harmonic mean of its chance over the posterior with it
        (importance-sampled leave-one-out: A.E. Gelfand, D.K. Dey, S. Chang 1992).
        """
        seen = Seen(self._cloud.theta, self.age)
        weights = self._weights
        found = []
        for index, (question, heard) in enumerate(self.pairs):
            row = answer_row(question, replace(heard, hedged=False) if isinstance(question, Choice) else heard)
            if row is None or heard.meaning is Meaning.UNSURE:
                continue
            surprise = math.log2(float(weights @ np.exp(-seen.log_likelihood(row))))
            if surprise >= bits:
                found.append(Misfit(index, question, heard, surprise))
        return tuple(sorted(found, key=lambda misfit: -misfit.surprise))

    def doubt(self, lens: Lens) -> Doubt:
        """Whether these answers can be relied on, and whether they speak for this lens."""
        weighed = sum(chance is not None for chance in self._looks())
        return Doubt(self.bits if weighed >= FEWEST else None, self.off(lens, OFF))

    def _looks(self) -> list[float | None]:
        return [
            chance
            for (question, _), chance in zip(self.pairs, self._chances, strict=True)
            if isinstance(question, (Choice, Legible))
        ]

    @cached_property
    def bits(self) -> float:
        """Evidence, in bits, that somebody looked at the lenses: how much better choices and letters were foretold by
        this posterior, each from those before it, than by the habit of giving this answer after that one.

        Above 0: the lenses foretell the answers; far below: nobody looked (chance, habit, contradiction), or the
        answers were misheard.
        """
        habit = Habit()
        total = 0.0
        for (question, heard), chance in zip(self.pairs, self._chances, strict=True):
            if chance is not None and isinstance(question, (Choice, Legible)):
                total += chance / math.log(2) - habit.log2_chance(question.form, heard)
        return total

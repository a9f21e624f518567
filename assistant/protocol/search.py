"""A search along one dial by pairs: "is it better there?" - the staircase under the sphere and cylinder steps.

A pure adaptive procedure with two verbs: `proposal` says which step to try next, `taken`/`refused` say what came of
it. It walks on while a step helps, tries the other way when it does not, and halves the step when neither way helps.
Two helpful steps in a row may double it, so that a start far from the goal costs few questions and a stray
answer early on can be walked back later.
"""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True)
class Search:
    """Where the search stands. Units are the dial's (hundredths of a dioptre).

    at         the present setting
    step       size of the step being tried, > 0
    toward     +1 or -1, the direction tried next
    refused    directions refused at this step size from this setting
    finest     the step size at which the search ends
    widest     the largest step it may grow to
    bounded    directions in which the next coarser step was refused from here: a helpful finer step needs no second
    """

    at: int
    step: int
    toward: int
    finest: int
    widest: int
    refused: frozenset[int] = frozenset()
    bounded: frozenset[int] = frozenset()
    streak: int = 0

    @property
    def done(self) -> bool:
        return self.step < self.finest

    @property
    def proposal(self) -> int:
        """The setting to compare with the present one."""
        return self.at + self.toward * self.step

    def taken(self) -> Search:
        """The proposed setting was better: it is the present one now."""
        toward, streak = self.toward, self.streak + 1
        moved = replace(self, at=self.proposal, refused=frozenset({-toward}), streak=streak)
        if toward in self.bounded and self.step > self.finest:
            # Between the two coarser refusals and this finer step, only the way back can still be better.
            return replace(moved._halved(frozenset({toward})), refused=frozenset({toward}), toward=-toward)
        moved = replace(moved, bounded=frozenset())
        if streak >= 2 and self.step * 2 <= self.widest:
            return replace(moved, step=self.step * 2, streak=0)
        return moved

    def refuse(self) -> Search:
        """The proposed setting was not better."""
        refused = self.refused | {self.toward}
        if len(refused) == 2:
            return replace(self, streak=0)._halved(refused)
        return replace(self, refused=refused, toward=-self.toward, streak=0)

    def _halved(self, bounded: frozenset[int]) -> Search:
        # Odd halves are rounded up to a whole number of finest steps, so the dial's clicks are kept.
        half = self.step // 2
        if half >= self.finest:
            half = -(-half // self.finest) * self.finest
        return replace(self, step=half, refused=frozenset(), bounded=bounded, toward=1, streak=0)

    def rebased(self, at: int) -> Search:
        """The search begun anew from another setting, at the same step."""
        return replace(self, at=at, toward=1, refused=frozenset(), bounded=frozenset(), streak=0)

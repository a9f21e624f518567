"""Somebody who does not look at the lenses: what their answers would be foretold by."""

from __future__ import annotations

import math

from ..protocol.meanings import Heard, Meaning


class Habit:
    """Somebody who does not look: answers by what was answered before (Krichevsky-Trofimov estimate, one answer of
    memory), mixed with one without memory. Hedges by a habit of their own."""

    def __init__(self) -> None:
        self._counts: dict[tuple[object, ...], dict[object, int]] = {}
        self._last: dict[str, object] = {}

    def _chance(self, context: tuple[object, ...], said: object, of: int) -> float:
        counts = self._counts.setdefault(context, {})
        chance = (counts.get(said, 0) + 0.5) / (sum(counts.values()) + of / 2)
        counts[said] = counts.get(said, 0) + 1
        return chance

    def log2_chance(self, form: str, heard: Heard) -> float:
        said = Meaning.SAME if heard.meaning is Meaning.UNSURE and form == "choice" else heard.meaning
        of = 3 if form == "choice" else 2
        alone = self._chance((form,), said, of)
        after = self._chance((form, self._last.get(form)), said, of)
        hedge = self._chance(("hedge",), heard.hedged, 2)
        self._last[form] = said
        return math.log2((alone + after) / 2) + math.log2(hedge)

"""Evidence: from the answers of an eye to a stated uncertainty of its refraction.

Pure: no clock, no files, no chance but a generator seeded by the number of answers, so the same answers always say
the same. Above `protocol`, because it reads its questions and meanings.
"""

from __future__ import annotations

from .evidence import Doubt, Evidence, Limits, Misfit
from .intervals import AxisInterval, Interval, Intervals
from .pairs import Pair

__all__ = [
    "AxisInterval",
    "Doubt",
    "Evidence",
    "Interval",
    "Intervals",
    "Limits",
    "Misfit",
    "Pair",
]

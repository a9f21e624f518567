"""What an exam's answers leave open of an eye's draft, as the draft states it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from ..optics.lens import Lens
from ..protocol.progress import EyeProgress
from ..protocol.questions import Choice
from .evidence import Evidence
from .model import answer_row

LEVEL: Final = 0.95
ANY_AXIS: Final = 89.5  # degrees either way: from here on any axis will do, and none is stated
SAYS_NOTHING: Final = 10.0  # dioptres from low to high: a sphere as open as that is not known at all (design)


def interval(progress: EyeProgress, start: Lens | None = None) -> Mapping[str, object] | None:
    """95 % intervals of one eye: {"level": 0.95, "sphere": [low, high], "cylinder": [low, high], "axis": [low, high]}.

    Dioptres and degrees, outward to hundredths and whole degrees. The axis runs from `low` (1-180) up to `high`,
    which may go over 180; it is left out where any axis will do. None where nothing can be said: no pair was
    answered, too few were to tell, the eye's answers do not fit together, or its lens was carried over. `start` is
    the lens this eye began from, or None.
    """
    told = [one for one in progress.answers if isinstance(one.question, Choice) and answer_row(one.question, one.heard)]
    if not progress.begun or progress.doubts or not told:
        return None
    spans = Evidence.of(progress, start).intervals(LEVEL)
    if spans.sphere.width > SAYS_NOTHING:
        return None
    said: dict[str, object] = {"level": LEVEL}
    for name, span in (("sphere", spans.sphere), ("cylinder", spans.cylinder)):
        said[name] = [math.floor(span.low * 100) / 100, math.ceil(span.high * 100) / 100]
    if spans.axis.half < ANY_AXIS:
        low = math.floor(spans.axis.centre - spans.axis.half)
        first = (low - 1) % 180 + 1
        said["axis"] = [first, first + math.ceil(spans.axis.centre + spans.axis.half) - low]
    return said

"""The voice-activity detector, spared while the room is quiet: it takes most of what listening costs.

A frame hardly louder than the room's quietest moments holds no voice that the detector could find, so it is not asked.
That also keeps it awake: after seconds of steady noise it misses single words that it finds when spared the noise
(measured; see DEVELOPERS.md).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

import numpy as np

from .cutter import Detector
from .recogniser import Samples

LOUDER = 2.0  # times the power of the quietest moments, 3 dB: less is not looked at
SMOOTHED = 3  # frames over which a quietest moment is sought
REMEMBERED = 125  # frames, 4 s, in which it is sought: nobody speaks that long without a gap
LEAST_REMEMBERED = 31  # frames, 1 s: before, the room is not known
NO_VOICE = 0.15  # the detector's probability below which a frame counts as quiet
QUIET = 16  # frames, 0.5 s, that must have been quiet before any is passed over
AGAIN = 2  # of the frames passed over, the last ones, that are shown to it first: it judges by what was before


class SparingDetector:
    """As `cutter.Detector`, asked only where there may be a voice. One for each stream."""

    def __init__(self, detector: Callable[[Samples], float] | None = None) -> None:
        self._detect = detector or Detector()
        self._recent: deque[float] = deque(maxlen=SMOOTHED)
        self._levels: deque[float] = deque(maxlen=REMEMBERED)
        self._passed: deque[Samples] = deque(maxlen=AGAIN)
        self._quiet = 0

    def __call__(self, frame: Samples) -> float:
        power = float(np.dot(frame, frame)) / len(frame)
        self._recent.append(power)
        self._levels.append(sum(self._recent) / len(self._recent))
        known = len(self._levels) >= LEAST_REMEMBERED and self._quiet >= QUIET
        if known and power <= LOUDER * min(self._levels):
            self._passed.append(frame)
            return 0.0
        while self._passed:
            self._detect(self._passed.popleft())
        probability = self._detect(frame)
        self._quiet = self._quiet + 1 if probability < NO_VOICE else 0
        return probability

"""Small helpers of the hearing tests."""

from __future__ import annotations

import numpy as np

from assistant.hearing.recogniser import RATE, Samples


def silence(seconds: float) -> Samples:
    return np.zeros(int(seconds * RATE), np.float32)

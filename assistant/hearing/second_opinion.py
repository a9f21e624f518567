"""A second opinion on "one" and "two", by a linear classifier of what the recogniser's encoder made of the sound.

The decoder of a small model was trained to write sentences: a lone word in a noisy room it takes for the beginning of
another one, though the encoder before it has kept what the word sounded like. What such inner layers know shows in a
linear classifier (G. Alain & Y. Bengio, arXiv:1610.01644; reference from memory). It costs nothing, as the encoder
has run anyway.

The weights were trained by `tests/hearing/training.py` on single words of Speech Commands (P. Warden, CC BY 4.0), the
Free Spoken Digit Dataset (CC BY-SA 4.0), CMU AN4 (BSD-style) and synthetic voices, in noise; they hold for one model.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

ANSWERS: Final = ("one", "two")
WEIGHTS: Final = Path(__file__).with_name("second_opinion.npz")
ENCODED_A_SECOND: Final = 50  # of the encoder's frames: half of the features it is given
PARTS: Final = 3  # beginning, middle and end of the sound
LEAST_FRAMES: Final = 6


@dataclass(frozen=True)
class Opinion:
    """Log odds (nats) that a sound is the word "one", or the word "two", and not any other sound."""

    one: float
    two: float


def features(encoded: NDArray[np.float32], lead: float, seconds: float) -> NDArray[np.float32]:
    """Means, peaks and spreads of the encoder's frames (frames, width) over the sound and over its parts; flat.

    The sound begins after `lead` seconds of silence and lasts `seconds`.
    """
    begin = int(lead * ENCODED_A_SECOND)
    end = max(begin + LEAST_FRAMES, int((lead + seconds) * ENCODED_A_SECOND))
    frames = encoded[begin:end]
    parts = [part.mean(axis=0) for part in np.array_split(frames, PARTS)]
    return np.concatenate([frames.mean(axis=0), frames.max(axis=0), frames.std(axis=0), *parts]).astype(np.float32)


class SecondOpinion:
    """The classifier, for the encoder it was trained on. `model`: the SHA-256 of that model's weights."""

    def __init__(self, path: Path = WEIGHTS) -> None:
        with np.load(path) as kept:
            self._weights: NDArray[np.float32] = kept["weights"]
            self._bias: NDArray[np.float32] = kept["bias"]
            self.model = str(kept["model"])

    def __call__(self, encoded: NDArray[np.float32], lead: float, seconds: float) -> Opinion:
        """Arguments as `features` takes them."""
        one, two = self._weights @ features(encoded, lead, seconds) + self._bias
        return Opinion(float(one), float(two))

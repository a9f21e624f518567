"""A listener of its own for "one" and "two", for sounds the recogniser is in doubt about.

In a room full of talk the recogniser's encoder loses a lone word before anything later can read it. This is that
encoder trained on: the same layers (A. Radford et al., "Robust Speech Recognition via Large-Scale Weak Supervision",
2022), taught to tell these two words from every other sound, in babble, white noise and ringing rooms. It reads no
sentences. It runs in numpy, in less time than the recogniser's second look took, and only where there is doubt.

The weights began as those of Whisper tiny.en (MIT) and were trained by `tests/hearing/answer_training.py` on single
words of Speech Commands (P. Warden, CC BY 4.0), the Free Spoken Digit Dataset (CC BY-SA 4.0), CMU AN4 (BSD-style) and
synthetic voices; they are kept as whole numbers of eight bits, each row with its own scale.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np

from .layers import Values, attended, gelu, log_shares, normal
from .logmel import HOP, laid, log_mel
from .recogniser import RATE, Samples
from .second_opinion import ENCODED_A_SECOND, Opinion

WEIGHTS: Final = Path(__file__).with_name("answer_listener.npz")
SILENCE: Final = 0.25  # seconds before and after the sound
LONGEST: Final = 1.9  # seconds of sound: a lone word is over by then
HEADS: Final = 6


def features(audio: Samples) -> Values:
    """Log-mel features of a sound, (frames, bands), silence before and after it; an even number of frames."""
    audio = audio[: int(LONGEST * RATE)]
    pairs = round((len(audio) / RATE + 2 * SILENCE) * ENCODED_A_SECOND)
    mel: Values = log_mel(laid(audio, int(SILENCE * RATE), 2 * HOP * pairs)).T
    return mel


def heard_frames(samples: int) -> slice:
    """Which of the encoder's frames are of a sound of so many samples."""
    end = int((SILENCE + min(samples / RATE, LONGEST)) * ENCODED_A_SECOND) + 1
    return slice(int(SILENCE * ENCODED_A_SECOND), end)


class AnswerListener:
    """The network with its weights."""

    def __init__(self, path: Path = WEIGHTS) -> None:
        with np.load(path) as kept:
            self._weights = {
                name: kept[name].astype(np.float32) * kept[f"{name}.scale"].astype(np.float32)[:, None]
                if f"{name}.scale" in kept.files
                else kept[name].astype(np.float32)
                for name in kept.files
                if not name.endswith(".scale")
            }
        self._layers = sum(name.endswith("in.weight") for name in self._weights)

    def __call__(self, audio: Samples) -> Opinion:
        """Whether a sound of at least a tenth of a second is "one" or "two"."""
        values = self._encoded(features(audio))[heard_frames(len(audio))]
        share = np.exp(log_shares(self._linear("attend", values)[:, 0]))
        pooled = np.concatenate((share @ values, values.mean(axis=0), values.max(axis=0)))
        one, two, other = log_shares(self._linear("decide", gelu(self._linear("pooled", pooled))))
        return Opinion(float(one - other), float(two - other))

    def _linear(self, name: str, values: Values) -> Values:
        return np.asarray(values @ self._weights[f"{name}.weight"].T + self._weights[f"{name}.bias"])

    def _normal(self, name: str, values: Values) -> Values:
        return normal(values, self._weights[f"{name}.gamma"], self._weights[f"{name}.beta"])

    def _encoded(self, mel: Values) -> Values:
        """Frames (n, width), 50 a second, of log-mel features (2 n, bands)."""
        values = gelu(self._linear("conv1", _three(mel)))
        values = gelu(self._linear("conv2", _three(values)[::2]))
        values = values + self._weights["positions"][: len(values)]
        for layer in range(self._layers):
            values = values + self._attended(layer, self._normal(f"{layer}.before", values))
            within = gelu(self._linear(f"{layer}.up", self._normal(f"{layer}.between", values)))
            values = values + self._linear(f"{layer}.down", within)
        return self._normal("after", values)

    def _attended(self, layer: int, values: Values) -> Values:
        query, key, value = np.split(self._linear(f"{layer}.in", values), 3, axis=1)
        return self._linear(f"{layer}.out", attended(query, key, value, HEADS))


def _three(values: Values) -> Values:
    """Each row with the one before and the one after it, nothing beyond the ends: (n, width, 3), flat."""
    padded = np.pad(values, ((1, 1), (0, 0)))
    return np.stack((padded[:-2], padded[1:-1], padded[2:]), axis=2).reshape(len(values), -1)

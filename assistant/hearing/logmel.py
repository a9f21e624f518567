"""Log-mel features as Whisper models take them (numpy only).

The definition is Whisper's published one: 25 ms Hann windows every 10 ms, power spectrum, 80 triangular
filters on Slaney's mel scale from 0 to 8 kHz with unit area, log10 floored 8 below the loudest, then (x + 4)
/ 4. Source: A. Radford et al., "Robust Speech Recognition via Large-Scale Weak Supervision" (2022), section
2.2, and M. Slaney, "Auditory Toolbox", Interval Research TR 1998-010 (the mel scale: linear to 1 kHz, then 27
steps per factor of 6.4).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from .recogniser import RATE, Samples

WINDOW = 400  # samples: 25 ms
HOP = 160  # samples: 10 ms
FRAMES_A_SECOND = RATE // HOP
LEVEL = 0.1  # peak to which every sound is brought: the features depend on loudness, what is heard must not
DYNAMIC_RANGE = 8.0  # in log10 units: what is further below the loudest is floored

_LINEAR_MEL = 200.0 / 3.0  # hertz a mel below 1 kHz
_BREAK_HERTZ = 1000.0
_BREAK_MEL = _BREAK_HERTZ / _LINEAR_MEL
_LOG_STEP = np.log(6.4) / 27.0


def _mel_to_hertz(mel: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(mel < _BREAK_MEL, mel * _LINEAR_MEL, _BREAK_HERTZ * np.exp(_LOG_STEP * (mel - _BREAK_MEL)))


@lru_cache(maxsize=4)
def filters(bands: int) -> NDArray[np.float32]:
    """The mel filterbank, shape (bands, WINDOW // 2 + 1)."""
    top = _BREAK_MEL + np.log(RATE / 2 / _BREAK_HERTZ) / _LOG_STEP
    edges = _mel_to_hertz(np.linspace(0.0, top, bands + 2))
    bins = np.fft.rfftfreq(WINDOW, 1.0 / RATE)
    low, middle, high = edges[:-2, None], edges[1:-1, None], edges[2:, None]
    rising = (bins - low) / (middle - low)
    falling = (high - bins) / (high - middle)
    return (np.maximum(0.0, np.minimum(rising, falling)) * 2.0 / (high - low)).astype(np.float32)


_HANN = np.hanning(WINDOW + 1)[:-1].astype(np.float32)  # periodic


def laid(audio: Samples, before: int, samples: int) -> Samples:
    """A sound at the level that all are brought to, `before` samples of silence before it, `samples` in all."""
    padded = np.zeros(samples, np.float32)
    padded[before : before + len(audio)] = audio * (LEVEL / max(float(np.abs(audio).max(initial=0.0)), 1e-6))
    return padded


def log_mel(audio: Samples, bands: int = 80) -> NDArray[np.float32]:
    """Features of mono 16 kHz audio, shape (bands, len(audio) // HOP)."""
    padded = np.pad(audio, WINDOW // 2, mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(padded, WINDOW)[::HOP][: len(audio) // HOP]
    power = (np.abs(np.fft.rfft(windows * _HANN, axis=1)) ** 2).astype(np.float32)
    logs = np.log10(np.maximum(filters(bands) @ power.T, 1e-10))
    logs = np.maximum(logs, logs.max() - DYNAMIC_RANGE)
    scaled: NDArray[np.float32] = ((logs + 4.0) / 4.0).astype(np.float32)
    return scaled

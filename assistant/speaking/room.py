"""The sound of a consulting room: its noise, its ringing, a cough and a door. For demonstrations and tests.

Everything is made from a seed with NumPy's generator, so a seed gives the same sound. Levels are decibels of
full scale (RMS for noise). The figures are those of a small furnished room and are assumptions, not measurements.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float32]

RATE = 16_000  # hertz: what the recognisers hear

NOISE_CORNER = 250.0  # hertz; the ventilation of a room falls by 6 dB an octave from about here
HUM = 100.0  # hertz, of lamps and power supplies at 50 Hz mains
RINGING = 0.25  # seconds until the reverberation is 60 dB down
EARLIEST_ECHO = 0.004  # seconds: about 1.4 m longer than the direct way


def gain(decibels: float) -> float:
    """Factor of an amplitude."""
    return float(10 ** (decibels / 20))


def level(samples: Samples) -> float:
    """RMS in decibels of full scale; -inf for silence."""
    power = float(np.mean(np.square(samples, dtype=np.float64))) if len(samples) else 0.0
    return 10 * float(np.log10(power)) if power else float("-inf")


def noise(length: int, decibels: float, seed: int) -> Samples:
    """Ventilation and a little hum: `length` samples at RATE with an RMS of `decibels`."""
    if not length:
        return np.zeros(0, np.float32)
    random = np.random.default_rng(seed)
    spectrum = np.fft.rfft(random.standard_normal(length))
    frequency = np.fft.rfftfreq(length, 1 / RATE)
    spectrum /= np.sqrt(1 + (frequency / NOISE_CORNER) ** 2)
    sound = np.fft.irfft(spectrum, length)
    sound += 0.3 * sound.std() * np.sin(2 * np.pi * HUM * np.arange(length) / RATE)
    return np.asarray(sound * gain(decibels - level(sound.astype(np.float32))), np.float32)


def reverberate(samples: Samples, decibels: float, seed: int) -> Samples:
    """Sound with the room's ringing `decibels` below the direct sound, and as long again as it rings."""
    random = np.random.default_rng(seed)
    time = np.arange(int(RINGING * RATE)) / RATE
    response = random.standard_normal(len(time)) * 10 ** (-3 * time / RINGING)
    response[time < EARLIEST_ECHO] = 0.0
    response *= gain(decibels) / np.sqrt(np.sum(response**2))
    response[0] = 1.0
    length = len(samples) + len(response) - 1
    return np.asarray(np.fft.irfft(np.fft.rfft(samples, length) * np.fft.rfft(response, length), length), np.float32)


def band(samples: Samples, low: float, high: float) -> Samples:
    """Only the frequencies from `low` to `high` hertz, with edges of an octave."""
    spectrum = np.fft.rfft(samples)
    frequency = np.maximum(np.fft.rfftfreq(len(samples), 1 / RATE), 1e-3)
    octaves_out = np.maximum(np.log2(low / frequency), np.log2(frequency / high))
    spectrum *= np.clip(1 - octaves_out, 0, 1)
    return np.asarray(np.fft.irfft(spectrum, len(samples)), np.float32)


def cough(decibels: float, seed: int) -> Samples:
    """Two bursts of breath: 0.6 s at RATE, peaking at `decibels`."""
    random = np.random.default_rng(seed)
    sound = np.zeros(int(0.6 * RATE), np.float32)
    for start, loud in ((0.0, 1.0), (0.3, 0.6 + 0.3 * random.random())):
        time = np.arange(int(0.26 * RATE)) / RATE
        swell = np.minimum(time / 0.015, 1.0) * np.exp(-time / 0.06)
        burst = random.standard_normal(len(time)) * swell * loud
        at = int(start * RATE)
        sound[at : at + len(burst)] += burst.astype(np.float32)
    return _peaking(band(sound, 350, 3500), decibels)


def door(decibels: float, seed: int) -> Samples:
    """A door that shuts: a thud and the latch, 0.7 s at RATE, peaking at `decibels`."""
    random = np.random.default_rng(seed)
    time = np.arange(int(0.7 * RATE)) / RATE
    thud = np.sin(2 * np.pi * (70 + 20 * random.random()) * time) * np.exp(-time / 0.09)
    thud += 0.5 * random.standard_normal(len(time)) * np.exp(-time / 0.03)
    latch = random.standard_normal(len(time)) * np.exp(-np.maximum(time - 0.12, 0) / 0.008) * (time >= 0.12)
    return _peaking(np.asarray(band(thud.astype(np.float32), 40, 900) + 0.3 * latch, np.float32), decibels)


def _peaking(sound: Samples, decibels: float) -> Samples:
    return np.asarray(sound * (gain(decibels) / np.abs(sound).max()), np.float32)

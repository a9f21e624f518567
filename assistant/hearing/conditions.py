"""Clean recordings made worse in known ways, for measuring and for setting thresholds."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .recogniser import RATE, Samples

ACTIVE = 0.01  # of the loudest frame's power (20 dB below it): a frame above it is speech
FRAME = RATE // 50  # samples: 20 ms
TALKERS = 6  # in babble
AROUND = (0.4, 0.9)  # seconds of noise before and after the speech, as a microphone would have heard it


def speech_power(audio: Samples) -> float:
    """Mean power of the frames in which something is said, so that silence in a clip does not flatter the noise."""
    whole = audio[: len(audio) // FRAME * FRAME].reshape(-1, FRAME)
    if not len(whole):
        return 0.0
    powers = np.mean(np.square(whole, dtype=np.float64), axis=1)
    return float(powers[powers >= ACTIVE * powers.max()].mean())


def babble(talkers: Sequence[Samples], samples: int, rng: np.random.Generator) -> Samples:
    """Several people at once, each equally loud, from a random place on; `samples` long."""
    total = np.zeros(samples, np.float32)
    for talk in list(talkers)[:TALKERS]:
        loud = talk / np.sqrt(max(speech_power(talk), 1e-12))
        total += np.resize(np.roll(loud, int(rng.integers(len(loud)))), samples)
    return total


def mixed(audio: Samples, noise: Samples, decibels: float, lead: int) -> Samples:
    """Speech laid `lead` samples into a noise, the noise so many decibels below the speech; kept below full scale."""
    power = float(np.mean(np.square(noise, dtype=np.float64)))
    gain = np.sqrt(speech_power(audio) / max(power, 1e-12) / 10 ** (decibels / 10))
    sound: Samples = (noise * gain).astype(np.float32)
    sound[lead : lead + len(audio)] += audio
    peak = float(np.abs(sound).max(initial=0.0))
    if peak > 1.0:
        sound /= np.float32(peak)
    return sound


def noisy(audio: Samples, kind: str, decibels: float, talkers: Sequence[Samples], seed: int) -> Samples:
    """A clip in "white" noise or "babble", the same for the same seed."""
    rng = np.random.default_rng(seed)
    lead, tail = (int(RATE * rng.uniform(*AROUND)) for _ in range(2))
    length = lead + len(audio) + tail
    noise = rng.standard_normal(length) if kind == "white" else babble(talkers, length, rng)
    return mixed(audio, np.asarray(noise, np.float32), decibels, lead)

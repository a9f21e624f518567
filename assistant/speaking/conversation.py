"""A recorded conversation made of single utterances: what one microphone, or two, in a consulting room hear."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from . import room
from .room import RATE, Samples

CROSSING = 0.003  # seconds from one person to the other's microphone: about a metre
BEFORE, AFTER = 1.0, 1.5  # seconds of room before the first turn and after the last


@dataclass(frozen=True)
class Turn:
    """One utterance, or a noise: mono `samples` at RATE, begun `pause` seconds after the turn before has ended.

    by       "examiner" or "patient": whose microphone is near; None for a noise, equally loud in both.
    """

    samples: Samples
    pause: float
    by: str | None = None

    def __post_init__(self) -> None:
        if self.pause < 0:
            raise ValueError(f"pause: {self.pause} s; turns do not overlap")
        if self.by not in ("examiner", "patient", None):
            raise ValueError(f"by: {self.by!r} is neither examiner nor patient")


@dataclass(frozen=True)
class Recording:
    """`samples`: (length,) or, with two microphones, (length, 2): examiner's, patient's; at RATE.

    begins   where each turn begins, in samples.
    """

    samples: Samples
    begins: tuple[int, ...]


def render_conversation(
    turns: Sequence[Turn],
    *,
    channels: int = 1,
    crosstalk: float = -10.0,
    noise: float = -58.0,
    echo: float = -12.0,
    seed: int = 0,
) -> Recording:
    """Lay the turns one after another in a room.

    channels   1: one microphone for both; 2: channel 0 near the examiner, channel 1 near the patient.
    crosstalk  dB by which a voice is weaker in the other's microphone, where it comes later and with more of the
               room's ringing.
    noise      dB of full scale (RMS) of the room in each microphone, different in each.
    echo       dB of the ringing against the direct sound in the other's microphone.
    """
    if channels not in (1, 2):
        raise ValueError(f"channels: {channels}; one microphone or two")
    begins = []
    now = round(BEFORE * RATE)
    for turn in turns:
        now += round(turn.pause * RATE)
        begins.append(now)
        now += len(turn.samples)
    length = now + round(AFTER * RATE)
    # Two beds that differ: independent of each other whatever the seed.
    track = np.stack([room.noise(length, noise, 2 * seed + channel) for channel in range(channels)], axis=1)
    for number, (turn, begin) in enumerate(zip(turns, begins, strict=True)):
        for channel in range(channels):
            near = channels == 1 or turn.by is None or turn.by == ("examiner", "patient")[channel]
            heard, at = turn.samples, begin
            if not near:
                heard = room.reverberate(heard * np.float32(room.gain(crosstalk)), echo, seed + number)
                at += round(CROSSING * RATE)
            end = min(at + len(heard), length)
            track[at:end, channel] += heard[: end - at]
    np.clip(track, -1.0, 1.0, out=track)
    return Recording(track[:, 0] if channels == 1 else track, tuple(begins))

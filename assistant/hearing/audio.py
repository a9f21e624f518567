"""Recordings: read from a file, brought to 16 kHz mono, and cut to what was said."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..errors import UserError
from .cutter import utterances
from .recogniser import RATE, Samples

LONGEST_RECORDING = 3 * 3600  # seconds: an exam takes twenty minutes; more is the wrong file
CLIPPED_LEVEL = 0.999  # of full scale
CLIPPED_SHARE = 0.001  # of the samples: more at full scale than this, and the recording is overdriven
LOUD_ENOUGH = 0.1  # peak: what is quieter is raised to it before silence is looked for again
MOST_GAIN = 100.0  # 40 dB: beyond this there is only noise to raise


@dataclass(frozen=True)
class Level:
    """How loud a recording is: peak and root mean square of full scale (1.0); is it overdriven?"""

    peak: float
    rms: float
    clipped: bool


def level(audio: Samples) -> Level:
    if not len(audio):
        return Level(0.0, 0.0, False)
    sizes = np.abs(audio)
    return Level(
        peak=float(sizes.max()),
        rms=float(np.sqrt(np.mean(np.square(audio, dtype=np.float64)))),
        clipped=bool(np.mean(sizes >= CLIPPED_LEVEL) > CLIPPED_SHARE),
    )


def resample(audio: Samples, rate: int, to: int = RATE) -> Samples:
    """Audio at another rate, shape (samples,) or (samples, channels)."""
    if rate == to:
        return audio
    try:
        import soxr
    except ImportError as error:
        raise UserError(f"recordings cannot be brought to {to} Hz: {error}. Fix: pip install soxr") from None
    return np.asarray(soxr.resample(audio, rate, to), np.float32)


def read_channels(path: Path) -> Samples:
    """A recording at 16 kHz, shape (samples, channels), -1..1.

    Raises UserError for a file that is missing, no audio, empty or absurdly long.
    """
    try:
        import soundfile
    except (ImportError, OSError) as error:
        raise UserError(f"recordings cannot be read: {error}. Fix: pip install soundfile") from None
    if not path.exists():
        raise UserError(f"{path}: there is no such file")
    if path.is_dir():
        raise UserError(f"{path} is a folder. Fix: name the recordings in it")
    if path.stat().st_size == 0:
        raise UserError(f"{path} is empty. Fix: record it again")
    try:
        with soundfile.SoundFile(path) as file:
            if file.frames > LONGEST_RECORDING * file.samplerate:
                raise UserError(
                    f"{path} is longer than {LONGEST_RECORDING // 3600} hours. Fix: give one exam's recording"
                )
            rate = file.samplerate
            audio = file.read(dtype="float32", always_2d=True)
    except (soundfile.LibsndfileError, OSError) as error:
        raise UserError(
            f"{path} is not audio that can be read ({str(error).rstrip('.')}). Fix: give WAV, FLAC or OGG"
        ) from None
    if not len(audio):
        raise UserError(f"{path} has no samples in it. Fix: record it again")
    return resample(np.nan_to_num(audio, copy=False, posinf=1.0, neginf=-1.0), rate)


def read(path: Path) -> Samples:
    """A recording as mono 16 kHz samples; channels are averaged. Raises UserError as `read_channels` does."""
    mono: Samples = read_channels(path).mean(axis=1, dtype=np.float32)
    return mono


def spoken(audio: Samples) -> Samples | None:
    """What was said in a recording of one utterance, silence at its ends cut off; None if nothing was said.

    A recording too quiet for the detector is listened to again, raised.
    """
    cuts = utterances(audio)
    peak = float(np.abs(audio).max(initial=0.0))
    if not cuts and 0.0 < peak < LOUD_ENOUGH:
        cuts = utterances(audio * min(LOUD_ENOUGH / peak, MOST_GAIN))
    if not cuts:
        return None
    return audio[cuts[0].start : cuts[-1].end]


# A room full of talk: the detector takes the talk for the answer's own, and the answer comes with seconds of it.
TALK_FRAME = RATE // 50  # samples: 20 ms
SMOOTHED = 5  # frames: a syllable is longer, a click shorter
NOISY_ROOM = 25.0  # decibels: where the quietest fifth is further below the loudest, the ends are silence, not talk
NEARER = 7.0  # decibels below the loudest syllable, of the person asked: half of what talk 10 dB down leaves between
AROUND_SPEECH = 0.24  # seconds kept either side: the weak consonants, "not" before "two"


def foreground(audio: Samples) -> Samples:
    """The part of a sound from the first to the last that is about as loud as its loudest, in a noisy room.

    What goes on around it at a lower level, other people's talk above all, is cut off. Sound between silences
    is left as it is. The levels are design choices, looked at on recordings with babble 10 dB below.
    """
    frames = audio[: len(audio) // TALK_FRAME * TALK_FRAME].reshape(-1, TALK_FRAME)
    if len(frames) < 2 * SMOOTHED:
        return audio
    powers = np.mean(np.square(frames, dtype=np.float64), axis=1)
    levels = 10 * np.log10(np.convolve(powers, np.full(SMOOTHED, 1 / SMOOTHED), "same") + 1e-12)
    loudest = float(levels.max())
    if float(np.quantile(levels, 0.2)) < loudest - NOISY_ROOM:
        return audio
    near = np.flatnonzero(levels > loudest - NEARER) * TALK_FRAME
    kept = int(AROUND_SPEECH * RATE)
    return audio[max(0, int(near[0]) - kept) : int(near[-1]) + TALK_FRAME + kept]

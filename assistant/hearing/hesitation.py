"""Whether an answer came at once or was held back: words, the wait before it, and a rising voice.

A patient who says "um... two?" has reached the smallest difference there is to see. The protocol ends the
climb in cylinder power there, so the mark comes with its reasons, and every one of them is written to the
log.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .recogniser import RATE, Samples

SLOW_ANSWER = 3.0  # seconds from the end of the question: common practice has no number; a design choice
RISE = 3.0  # semitones from the middle of the voiced part to its end: a clear question, not the wobble of a vowel

FLOOR, CEILING = 70.0, 450.0  # hertz: low male voices to high female ones
FRAME_SECONDS = 0.045  # three periods of the lowest voice
STEP_SECONDS = 0.010
VOICED = 0.5  # least normalised autocorrelation at the pitch period
QUIET = 0.05  # of the loudest frame's amplitude: what is quieter is not voice
OCTAVE_COST = 0.02  # per octave below the ceiling: of two periods that fit, the shorter one
JUMP = 0.25  # octaves between neighbouring frames: a voice cannot, a halved or doubled period can
LEAST_VOICED = 0.12  # seconds: less pitch than this tells nothing


@dataclass(frozen=True)
class Hesitation:
    """Why an answer counts as hedged; sure if there is no reason.

    reasons  any of "words", "wait", "rising voice", in this order
    """

    reasons: tuple[str, ...]

    @property
    def sure(self) -> bool:
        return not self.reasons


def hesitation(audio: Samples, hedged_words: bool, after: float | None) -> Hesitation:
    """Judges one answer.

    hedged_words  the grammar found "um", "maybe", "I think" ... in it
    after         seconds of silence before it, None where unknown
    """
    reasons = []
    if hedged_words:
        reasons.append("words")
    if after is not None and after >= SLOW_ANSWER:
        reasons.append("wait")
    rise = final_rise(audio)
    if rise is not None and rise >= RISE:
        reasons.append("rising voice")
    return Hesitation(tuple(reasons))


def pitch(audio: Samples) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Times (seconds, frame centres) and pitch (hertz, NaN where unvoiced) of mono 16 kHz speech.

    Autocorrelation of Hann-windowed frames divided by that of the window: P. Boersma, "Accurate short-term
    analysis of the fundamental frequency and the harmonics-to-noise ratio of a sampled sound", IFA
    Proceedings 17 (1993).
    """
    size, step = int(FRAME_SECONDS * RATE), int(STEP_SECONDS * RATE)
    count = max(0, 1 + (len(audio) - size) // step)
    times = (np.arange(count) * step + size / 2) / RATE
    if not count:
        return times, np.zeros(0)
    frames = np.lib.stride_tricks.sliding_window_view(np.asarray(audio, np.float64), size)[::step][:count]
    frames = frames - frames.mean(axis=1, keepdims=True)
    loud = np.abs(frames).max(axis=1)
    shortest, longest = int(RATE / CEILING), int(RATE / FLOOR)
    window = np.hanning(size)
    correlation = _correlation(frames * window, longest + 2)
    correlation = correlation / np.maximum(correlation[:, :1], 1e-12)
    shape = _correlation(window[None], longest + 2)
    correlation = correlation / (shape / shape[0, 0])
    lags = np.arange(shortest, longest + 1)
    fits = correlation[:, lags] - OCTAVE_COST * np.log2(lags / shortest)
    best = lags[np.argmax(fits, axis=1)]
    rows = np.arange(count)
    left, here, right = (correlation[rows, best + shift] for shift in (-1, 0, 1))
    bend = left - 2 * here + right
    shift = np.where(np.abs(bend) > 1e-12, 0.5 * (left - right) / np.where(bend == 0, 1, bend), 0.0)
    hertz = RATE / (best + np.clip(shift, -0.5, 0.5))
    voiced = (here >= VOICED) & (loud >= QUIET * loud.max(initial=0.0)) & (loud > 0)
    return times, _without_jumps(np.where(voiced, hertz, np.nan))


def _correlation(frames: NDArray[np.float64], lags: int) -> NDArray[np.float64]:
    """Autocorrelation of each row at lags 0 to `lags` - 1."""
    length = 2 ** int(np.ceil(np.log2(2 * frames.shape[1])))
    result: NDArray[np.float64] = np.fft.irfft(np.abs(np.fft.rfft(frames, length, axis=1)) ** 2, axis=1)
    return result[:, :lags]


def _without_jumps(hertz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Drops frames that leap away from both neighbours: octave errors and noise."""
    logs = np.log2(hertz)
    before = np.abs(logs - np.concatenate([[np.nan], logs[:-1]]))
    after = np.abs(logs - np.concatenate([logs[1:], [np.nan]]))
    stable = (before <= JUMP) | (after <= JUMP)
    return np.where(stable, hertz, np.nan)


def final_rise(audio: Samples) -> float | None:
    """How far the voice goes up at the end, in semitones; negative if it falls; None if too little is voiced.

    From the median of the voiced frames before the last fifth of a second to the median of the last three.
    """
    times, hertz = pitch(audio)
    voiced = np.flatnonzero(~np.isnan(hertz))
    if len(voiced) * STEP_SECONDS < LEAST_VOICED:
        return None
    semitones = 12 * np.log2(hertz[voiced])
    times = times[voiced]
    tail = times > times[-1] - 0.2
    body = semitones[~tail] if np.count_nonzero(~tail) >= 5 else semitones[: max(3, len(semitones) // 2)]
    return float(np.median(semitones[-3:]) - np.median(body))

"""The pitch tracker against an established one, and the reasons an answer counts as hedged."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from assistant.hearing.hesitation import RISE, SLOW_ANSWER, final_rise, hesitation, pitch
from assistant.hearing.recogniser import RATE, Samples

Say = Callable[[str], Samples]


def voice(start: float, end: float, seconds: float = 0.6) -> Samples:
    """A vowel-like sound: ten harmonics, falling 6 dB an octave, gliding evenly in semitones from start to end."""
    share = np.linspace(0.0, 1.0, int(seconds * RATE))
    hertz = start * (end / start) ** np.clip((share - 0.5) / 0.5, 0.0, 1.0)
    phase = 2 * np.pi * np.cumsum(hertz) / RATE
    sound = sum(np.sin(phase * k) / k for k in range(1, 11))
    fade = np.minimum(1.0, np.minimum(share, 1 - share) * 20)
    noise = np.random.default_rng(1).standard_normal(len(share)) * 0.003
    return (0.15 * sound * fade + noise).astype(np.float32)


@pytest.mark.parametrize("hertz", [80.0, 110.0, 180.0, 260.0, 400.0])
def test_a_steady_voice_has_its_own_pitch(hertz: float) -> None:
    _, found = pitch(voice(hertz, hertz))
    voiced = found[~np.isnan(found)]
    assert len(voiced) > 40
    assert np.median(voiced) == pytest.approx(hertz, rel=0.005)
    assert np.mean(np.abs(voiced / hertz - 1) < 0.03) > 0.95  # hardly an octave error


@pytest.mark.parametrize("words", ["one", "two", "about the same", "the second one", "show me again"])
@pytest.mark.parametrize("faster", [1.0, 1.3])
def test_pitch_agrees_with_praat(say: Say, words: str, faster: float) -> None:
    """Praat's tracker (P. Boersma and D. Weenink) through parselmouth is the established one."""
    parselmouth = pytest.importorskip("parselmouth", reason="pip install praat-parselmouth to compare with Praat")
    speech = say(words)
    audio = np.interp(np.arange(0, len(speech) - 1, faster), np.arange(len(speech)), speech).astype(np.float32)
    times, ours = pitch(audio)
    praat = parselmouth.Sound(audio.astype(np.float64), RATE).to_pitch_ac(
        time_step=0.01, pitch_floor=70.0, pitch_ceiling=450.0
    )
    theirs = np.array([praat.get_value_at_time(time) for time in times])
    both = ~np.isnan(ours) & ~np.isnan(theirs)
    assert both.sum() > 0.7 * np.count_nonzero(~np.isnan(theirs))
    off = np.abs(12 * np.log2(ours[both] / theirs[both]))
    assert np.median(off) < 0.2  # semitones
    assert np.mean(off < 1.0) > 0.9


@pytest.mark.parametrize("semitones", [-6.0, -2.0, 0.0, 4.0, 7.0])
@pytest.mark.parametrize("start", [95.0, 210.0])
def test_a_rise_is_measured_as_it_was_made(semitones: float, start: float) -> None:
    rise = final_rise(voice(start, start * 2 ** (semitones / 12)))
    assert rise == pytest.approx(semitones, abs=1.2)


def test_a_question_is_told_from_a_statement() -> None:
    asked = hesitation(voice(120.0, 180.0), hedged_words=False, after=1.0)
    stated = hesitation(voice(120.0, 100.0), hedged_words=False, after=1.0)
    assert asked.reasons == ("rising voice",) and not asked.sure
    assert stated.reasons == () and stated.sure


def test_words_and_the_wait_before_them_count() -> None:
    level = voice(120.0, 115.0)
    assert hesitation(level, hedged_words=True, after=0.5).reasons == ("words",)
    assert hesitation(level, hedged_words=False, after=SLOW_ANSWER).reasons == ("wait",)
    assert hesitation(level, hedged_words=False, after=SLOW_ANSWER - 0.1).sure
    assert hesitation(level, hedged_words=False, after=None).sure
    assert hesitation(voice(120.0, 200.0), True, 9.0).reasons == ("words", "wait", "rising voice")


def test_noise_and_silence_have_no_pitch_and_no_rise() -> None:
    noise = (0.1 * np.random.default_rng(5).standard_normal(RATE)).astype(np.float32)
    assert np.mean(np.isnan(pitch(noise)[1])) > 0.9
    assert final_rise(np.zeros(RATE, np.float32)) is None
    assert final_rise(np.zeros(10, np.float32)) is None


def test_the_threshold_is_beyond_what_a_level_answer_does(say: Say) -> None:
    for words in ("one", "two", "the same"):
        rise = final_rise(say(words))
        assert rise is None or rise < RISE

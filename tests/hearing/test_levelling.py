"""Soft voices are brought up for the detector; loud ones are left as they are."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.hearing.cutter import FRAME, Cutter
from assistant.hearing.levelling import MOST_GAIN, PEAK, Leveller
from assistant.hearing.recogniser import RATE, Samples
from assistant.hearing.sparing import SparingDetector

HALF_A_SECOND = RATE // 2 // FRAME


def tone(peak: float) -> Samples:
    wave = np.sin(2 * np.pi * 5 * np.arange(FRAME) / FRAME)
    return (peak * wave / np.abs(wave).max()).astype(np.float32)


@given(st.lists(st.floats(0.0, 1.0, width=32), min_size=1, max_size=80))
def test_no_frame_is_made_softer_or_clipped_or_raised_beyond_the_bound(peaks: list[float]) -> None:
    level = Leveller()
    for peak in peaks:
        raised = float(np.abs(level(tone(peak))).max())
        assert raised >= peak * 0.999
        assert raised <= max(peak, min(PEAK, MOST_GAIN * peak)) * 1.001


def test_a_soft_voice_is_brought_up_half_a_second_after_a_loud_one() -> None:
    level = Leveller()
    assert np.abs(level(tone(0.5))).max() == pytest.approx(0.5)
    assert np.abs(level(tone(0.02))).max() == pytest.approx(0.02)  # at once it is an echo
    for _ in range(HALF_A_SECOND):
        level(tone(0.001))
    assert np.abs(level(tone(0.02))).max() > 0.04


@pytest.mark.parametrize("peak", [0.01, 0.02, 0.3])
def test_answers_soft_and_loud_are_found_after_a_loud_question(say: Callable[[str], Samples], peak: float) -> None:
    """At the lowest peak the detector by itself finds none of these."""
    random = np.random.default_rng(3)
    for text in ("one", "two", "about the same", "number two"):
        question, answer = say("one or two"), say(text)
        loud, soft = 0.5 * question / np.abs(question).max(), peak * answer / np.abs(answer).max()
        sound = np.concatenate([np.zeros(RATE), loud, np.zeros(RATE), soft, np.zeros(RATE)])
        sound = (sound + 0.0005 * random.standard_normal(len(sound))).astype(np.float32)
        begin = 2 * RATE + len(loud)
        cutter = Cutter(detector=SparingDetector())
        cuts = [*cutter.push(sound), *cutter.finish()]
        assert any(begin < cut.speech_end <= begin + len(soft) + RATE // 2 for cut in cuts), text


def test_a_quiet_room_brought_up_is_still_no_voice() -> None:
    random = np.random.default_rng(4)
    for room in (0.0003, 0.001, 0.004):
        cutter = Cutter(detector=SparingDetector())
        sound = (room * random.standard_normal(20 * RATE)).astype(np.float32)
        assert [*cutter.push(sound), *cutter.finish()] == []

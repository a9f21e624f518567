"""The detector is spared where nothing can be heard, and nowhere else."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.hearing.cutter import FRAME, Cutter
from assistant.hearing.recogniser import RATE, Samples
from assistant.hearing.sparing import AGAIN, LEAST_REMEMBERED, QUIET, SparingDetector

Say = Callable[[str], Samples]


class Level:
    """A detector that can be foretold, and what it was shown: the level of each frame."""

    def __init__(self) -> None:
        self.shown: list[float] = []

    def __call__(self, frame: Samples) -> float:
        level = float(np.sqrt(np.mean(np.square(frame, dtype=np.float64))))
        self.shown.append(level)
        return 1.0 if level > 0.05 else 0.0


def noise(frames: int, level: float, seed: int = 0) -> list[Samples]:
    random = np.random.default_rng(seed)
    return [(level * random.standard_normal(FRAME)).astype(np.float32) for _ in range(frames)]


def test_a_quiet_room_is_looked_at_until_it_is_known_and_then_left_alone() -> None:
    level = Level()
    detect = SparingDetector(level)
    known = max(LEAST_REMEMBERED, QUIET) + 1
    for frame in noise(500, 0.002):
        detect(frame)
    assert known - 2 <= len(level.shown) <= known + 10


def test_what_stands_out_is_looked_at_with_what_was_just_before() -> None:
    level = Level()
    detect = SparingDetector(level)
    for frame in noise(200, 0.002):
        detect(frame)
    before = len(level.shown)
    assert detect(noise(1, 0.1)[0]) == 1.0
    assert len(level.shown) == before + AGAIN + 1


def test_a_pause_in_speech_is_looked_at_for_half_a_second() -> None:
    level = Level()
    detect = SparingDetector(level)
    for frame in [*noise(200, 0.002), *noise(20, 0.1)]:
        detect(frame)
    before = len(level.shown)
    for frame in noise(QUIET, 0.002, seed=5):
        detect(frame)
    assert len(level.shown) == before + QUIET


@given(st.lists(st.tuples(st.sampled_from([0.0, 0.001, 0.004, 0.2]), st.integers(1, 60)), max_size=12))
def test_no_voice_is_ever_passed_over_in_a_room_that_is_quiet_between(stretches: list[tuple[float, int]]) -> None:
    detect, plain = SparingDetector(Level()), Level()
    for number, (loud, frames) in enumerate(stretches):
        for frame in [*noise(frames, loud, number), *noise(20, 0.001, number)]:
            assert detect(frame) == plain(frame)


@pytest.mark.parametrize("room", [0.0, 0.0005, 0.003])
def test_words_after_a_long_silence_are_found_by_the_real_detector(say: Say, room: float) -> None:
    words = [say(text) for text in ("one", "two", "about the same", "two", "yes", "number one")]
    random = np.random.default_rng(1)
    sound = np.concatenate([part for word in words for part in (np.zeros(4 * RATE, np.float32), word)])
    sound = np.concatenate([sound, np.zeros(2 * RATE, np.float32)])
    sound = (sound + room * random.standard_normal(len(sound))).astype(np.float32)
    cutter = Cutter(detector=SparingDetector())
    cuts = [*cutter.push(sound), *cutter.finish()]
    at = 0
    for word in words:
        at += 4 * RATE
        loud = np.flatnonzero(np.abs(word) > 0.05)
        begin, end = at + int(loud[0]), at + int(loud[-1])
        found = [cut for cut in cuts if cut.start < end and cut.end > begin]
        assert found and found[0].start <= begin + RATE // 50
        at += len(word)
    assert len(cuts) <= len(words) + 1  # "about the same" may be two

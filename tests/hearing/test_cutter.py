"""The same cuts in any chunking, nothing clipped, and speech ahead of time shown as it will come out."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.hearing.cutter import (
    FRAME,
    KEPT_AFTER,
    KEPT_BEFORE,
    LONG_PAUSE,
    LONGEST,
    QUICK_PAUSE,
    SHORTEST,
    Cut,
    Cutter,
    Detector,
    utterances,
)
from assistant.hearing.recogniser import RATE, Samples

from .sounds import silence

Say = Callable[[str], Samples]


def by_level(frame: Samples) -> float:
    """A detector that can be foretold: a frame above a tenth of full scale is speech."""
    return 1.0 if float(np.abs(frame).max()) > 0.1 else 0.0


def frames(pattern: str) -> Samples:
    """ "..##.." as sound: a frame of speech for each #, of silence for each dot; every sample is its own."""
    levels = np.repeat([0.5 if mark == "#" else 0.0 for mark in pattern], FRAME)
    return (levels + np.arange(len(levels)) * 1e-8).astype(np.float32)


def chunked(audio: Samples, sizes: Iterator[int]) -> list[Cut]:
    cutter, cuts, at = Cutter(detector=by_level), [], 0
    while at < len(audio):
        size = next(sizes)
        cuts += cutter.push(audio[at : at + size])
        at += size
    return cuts + cutter.finish()


def described(cuts: list[Cut]) -> list[tuple[int, int, int, int, bytes]]:
    return [(cut.start, cut.end, cut.speech_start, cut.speech_end, cut.audio.tobytes()) for cut in cuts]


def endless(size: int) -> Iterator[int]:
    while True:
        yield size


@given(
    pattern=st.text("##.", max_size=120),
    odd=st.integers(0, FRAME - 1),
    sizes=st.lists(st.integers(1, 3000), min_size=1, max_size=8),
)
def test_any_chunking_gives_the_cuts_of_the_whole(pattern: str, odd: int, sizes: list[int]) -> None:
    audio = np.concatenate([frames(pattern), np.full(odd, 0.5, np.float32)])
    whole = described(chunked(audio, endless(max(1, len(audio)))))

    def repeated() -> Iterator[int]:
        while True:
            yield from sizes

    assert described(chunked(audio, repeated())) == whole


@given(pattern=st.text("##.", max_size=150))
def test_every_cut_is_a_stretch_of_the_stream_and_none_overlaps_the_next(pattern: str) -> None:
    audio = frames(pattern)
    before = 0
    for cut in chunked(audio, endless(777)):
        assert before <= cut.start <= cut.speech_start < cut.speech_end <= cut.end <= len(audio)
        assert np.array_equal(cut.audio, audio[cut.start : cut.end])
        before = cut.end


@given(pattern=st.text("##.", max_size=150))
def test_speech_long_enough_is_in_some_cut(pattern: str) -> None:
    covered = np.zeros(len(pattern), bool)
    for cut in chunked(frames(pattern), endless(4000)):
        covered[cut.start // FRAME : cut.end // FRAME] = True
    run = "#" * SHORTEST
    for at in range(len(pattern)):
        if pattern.startswith(run, at):
            assert covered[at : at + SHORTEST].all()


@pytest.mark.parametrize("chunk", [None, 160, 592, 16_000, 313, 7])
def test_real_speech_in_chunks_of_10_ms_37_ms_1_s_and_odd_sizes(say: Say, chunk: int | None) -> None:
    audio = np.concatenate(
        [silence(0.7), say("two"), silence(1.1), say("about the same"), silence(0.9), say("one"), silence(0.013)]
    )
    cutter = Cutter()
    size = chunk or len(audio)
    cuts = [cut for at in range(0, len(audio), size) for cut in cutter.push(audio[at : at + size])]
    cuts += cutter.finish()
    assert described(cuts) == described(utterances(audio))
    assert len(cuts) == 3


def test_silence_after_the_last_word_changes_no_cut(say: Say) -> None:
    audio = np.concatenate([silence(0.5), say("show me again"), silence(0.8)])
    longer = np.concatenate([audio, silence(2.0)])
    assert described(utterances(audio)) == described(utterances(longer))


def test_the_pre_roll_and_the_fading_end_are_kept() -> None:
    lead = KEPT_BEFORE + 5
    (cut,) = utterances_by_level("." * lead + "####" + "." * (LONG_PAUSE + 3))
    assert (cut.start, cut.end) == ((lead - KEPT_BEFORE) * FRAME, (lead + 4 + KEPT_AFTER) * FRAME)
    assert (cut.speech_start, cut.speech_end) == (lead * FRAME, (lead + 4) * FRAME)


def test_a_pause_inside_a_sentence_does_not_end_it() -> None:
    assert len(utterances_by_level("####" + "." * (LONG_PAUSE - 1) + "####" + "." * 30)) == 1
    assert len(utterances_by_level("####" + "." * LONG_PAUSE + "####" + "." * 30)) == 2


def test_a_click_is_no_utterance() -> None:
    assert utterances_by_level("..." + "#" * (SHORTEST - 1) + "." * 40) == []


def test_endless_sound_is_cut_at_the_longest_and_goes_on() -> None:
    cuts = utterances_by_level("#" * (2 * LONGEST + 50) + "." * 30)
    assert len(cuts) == 3
    assert all(cut.end - cut.start <= (LONGEST + KEPT_BEFORE + KEPT_AFTER) * FRAME for cut in cuts)


def test_what_is_shown_ahead_of_time_is_what_comes_out() -> None:
    shown: list[Cut] = []

    def ahead(cut: Cut) -> int:
        shown.append(cut)
        return QUICK_PAUSE

    cutter = Cutter(pause_after=ahead, detector=by_level)
    audio = frames("." * 20 + "######")
    assert cutter.push(audio) == []
    assert cutter.push(frames("." * (KEPT_AFTER - 1))) == [] and shown == []
    assert cutter.push(frames(".")) == [] and len(shown) == 1
    assert cutter.push(frames("." * (QUICK_PAUSE - KEPT_AFTER - 1))) == []
    cuts = cutter.push(frames("."))
    assert described(cuts) == described(shown)


def test_what_is_not_complete_waits_for_the_long_pause_and_is_asked_again_after_more_speech() -> None:
    shown: list[int] = []

    def ahead(cut: Cut) -> int:
        shown.append(cut.speech_end // FRAME)
        return QUICK_PAUSE if len(shown) > 1 else LONG_PAUSE

    cutter = Cutter(pause_after=ahead, detector=by_level)
    cuts = cutter.push(frames("####" + "." * (LONG_PAUSE - 2) + "###" + "." * QUICK_PAUSE))
    assert shown == [4, 4 + LONG_PAUSE - 2 + 3]
    assert len(cuts) == 1


def test_finish_hands_over_what_the_end_cut_short(say: Say) -> None:
    speech = say("the second one")
    loud = np.flatnonzero(np.abs(speech) > 0.05)
    cutter = Cutter()
    assert cutter.push(np.concatenate([silence(0.5), speech[: loud[-1]]])) == []
    assert len(cutter.finish()) == 1


def test_the_detector_hears_a_voice_and_no_noise(say: Say) -> None:
    noise = (0.05 * np.random.default_rng(7).standard_normal(3 * RATE)).astype(np.float32)
    assert utterances(noise) == []
    assert len(utterances(np.concatenate([silence(0.5), say("number two"), silence(1.0)]))) == 1
    assert 0.0 <= Detector()(noise[:FRAME]) <= 1.0


def utterances_by_level(pattern: str) -> list[Cut]:
    cutter = Cutter(detector=by_level)
    return [*cutter.push(frames(pattern)), *cutter.finish()]

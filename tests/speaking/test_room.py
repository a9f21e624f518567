"""The room's sound and conversations in it, against what acoustics and arithmetic say they must be."""

from __future__ import annotations

import numpy as np
import pytest

from assistant.speaking import room
from assistant.speaking.conversation import AFTER, BEFORE, CROSSING, Turn, render_conversation
from assistant.speaking.room import RATE


def tone(hertz: float, seconds: float = 0.5, amplitude: float = 0.5) -> np.ndarray:
    return (amplitude * np.sin(2 * np.pi * hertz * np.arange(int(seconds * RATE)) / RATE)).astype(np.float32)


def test_levels_are_decibels_of_full_scale() -> None:
    # a full-scale sine is 3.01 dB below full scale in RMS
    assert room.level(tone(440, 1.0, 1.0)) == pytest.approx(-3.01, abs=0.01)
    assert room.level(np.zeros(5, np.float32)) == float("-inf")
    assert room.gain(-20) == pytest.approx(0.1)


def test_noise_has_its_level_falls_with_frequency_and_repeats_without_a_seam() -> None:
    noise = room.noise(10 * RATE, -50.0, seed=1)
    assert room.level(noise) == pytest.approx(-50.0, abs=0.01)
    assert np.array_equal(noise, room.noise(10 * RATE, -50.0, seed=1))
    assert not np.array_equal(noise, room.noise(10 * RATE, -50.0, seed=2))
    power = np.abs(np.fft.rfft(noise)) ** 2
    hertz = np.fft.rfftfreq(len(noise), 1 / RATE)

    def octave(low: float) -> float:
        return 10 * np.log10(power[(hertz >= low) & (hertz < 2 * low)].mean())

    assert octave(1000) - octave(4000) == pytest.approx(12, abs=1)  # 6 dB an octave
    seam = abs(float(noise[0]) - float(noise[-1]))
    assert seam < 6 * np.abs(np.diff(noise)).std()
    assert len(room.noise(0, -50.0, 1)) == 0


def test_ringing_decays_by_60_db_in_its_time_and_leaves_the_direct_sound() -> None:
    click = np.zeros(100, np.float32)
    click[0] = 1.0
    heard = room.reverberate(click, -10.0, seed=4)
    assert heard[0] == pytest.approx(1.0, abs=1e-3)
    tail = heard[1 : int(room.RINGING * RATE)]
    assert 10 * np.log10(np.sum(tail**2)) == pytest.approx(-10.0, abs=0.1)
    first, last = tail[100:900], tail[2500:3300]  # 0.15 s apart: 36 dB at 60 dB in 0.25 s
    fall = 10 * np.log10(np.mean(first**2) / np.mean(last**2))
    assert fall == pytest.approx(60 * (2400 / RATE) / room.RINGING, abs=4)


def test_a_band_keeps_what_is_within_and_drops_what_is_an_octave_out() -> None:
    for hertz, kept in ((500, 1.0), (2000, 1.0), (100, 0.0), (6000, 0.0)):
        heard = room.band(tone(hertz), 300, 2500)
        assert np.abs(heard).max() == pytest.approx(0.5 * kept, abs=0.06)


@pytest.mark.parametrize("sound", [room.cough, room.door])
def test_noises_peak_where_they_are_told_to_and_differ_by_seed(sound: object) -> None:
    assert callable(sound)
    one, other = sound(-12.0, 1), sound(-12.0, 2)
    assert np.abs(one).max() == pytest.approx(room.gain(-12.0), rel=1e-3)
    assert not np.array_equal(one, other)


def test_turns_follow_each_other_with_their_pauses() -> None:
    turns = [Turn(tone(400), 0.2, "examiner"), Turn(tone(800, 0.3), 0.9, "patient"), Turn(tone(90, 0.1), 0.0)]
    recording = render_conversation(turns, noise=-80.0)
    assert recording.begins == tuple(round(t * RATE) for t in (BEFORE + 0.2, BEFORE + 1.6, BEFORE + 1.9))
    assert recording.samples.shape == (round((BEFORE + 2.0 + AFTER) * RATE),)
    loud = np.flatnonzero(np.abs(recording.samples) > 0.05)
    assert loud[0] == pytest.approx(recording.begins[0], abs=20)
    assert loud[-1] == pytest.approx(recording.begins[2] + 0.1 * RATE, abs=200)


@pytest.mark.parametrize("crosstalk", [-6.0, -10.0, -15.0])
def test_each_voice_is_weaker_in_the_other_microphone_by_the_crosstalk(crosstalk: float) -> None:
    turns = [Turn(tone(400), 0.0, "examiner"), Turn(tone(400), 1.0, "patient")]
    recording = render_conversation(turns, channels=2, crosstalk=crosstalk, noise=-90.0, echo=-60.0, seed=3)
    assert recording.samples.shape[1] == 2
    for number, near in enumerate((0, 1)):
        begin = recording.begins[number]
        own = recording.samples[begin : begin + RATE // 2, near]
        other = recording.samples[begin : begin + RATE // 2, 1 - near]
        assert room.level(other) - room.level(own) == pytest.approx(crosstalk, abs=0.3)
        delay = int(np.flatnonzero(np.abs(other) > 0.02)[0] - np.flatnonzero(np.abs(own) > 0.02)[0])
        assert delay == pytest.approx(CROSSING * RATE, abs=8)


def test_a_noise_is_equally_loud_in_both_microphones_and_their_own_noise_differs() -> None:
    recording = render_conversation([Turn(room.door(-10.0, 1), 0.0)], channels=2, noise=-60.0)
    begin = recording.begins[0]
    left, right = recording.samples[begin : begin + RATE // 2].T
    assert room.level(left) == pytest.approx(room.level(right), abs=0.1)
    quiet = recording.samples[: RATE // 2]
    assert abs(np.corrcoef(quiet.T)[0, 1]) < 0.5  # the hum is common, the rest is not


def test_what_cannot_be_rendered_is_refused() -> None:
    with pytest.raises(ValueError, match=r"^pause:"):
        Turn(tone(1), -0.1)
    with pytest.raises(ValueError, match=r"^by:"):
        Turn(tone(1), 0.0, "nobody")
    with pytest.raises(ValueError, match=r"^channels:"):
        render_conversation([], channels=3)

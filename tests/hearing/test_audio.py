"""Recordings of every sort come in as 16 kHz mono, and what cannot be read is told in one plain line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from assistant.errors import UserError
from assistant.hearing.audio import foreground, level, read, read_channels, resample, spoken
from assistant.hearing.recogniser import RATE, Samples

from .sounds import silence

Say = Callable[[str], Samples]


def tone(hertz: float, rate: int, seconds: float = 0.5) -> np.ndarray:
    return (0.3 * np.sin(2 * np.pi * hertz * np.arange(int(seconds * rate)) / rate)).astype(np.float32)


@pytest.mark.parametrize("rate", [8000, 11_025, 16_000, 22_050, 44_100, 48_000])
@pytest.mark.parametrize("kind", ["wav", "flac"])
def test_any_rate_becomes_16_khz_with_the_pitch_kept(tmp_path: Path, rate: int, kind: str) -> None:
    path = tmp_path / f"tone.{kind}"
    soundfile.write(path, tone(440.0, rate), rate)
    audio = read(path)
    assert audio.dtype == np.float32 and audio.ndim == 1
    assert abs(len(audio) - RATE // 2) <= 1
    spectrum = np.abs(np.fft.rfft(audio * np.hanning(len(audio))))
    assert abs(np.argmax(spectrum) * RATE / len(audio) - 440.0) <= 2.0


def test_channels_are_averaged_or_kept_apart(tmp_path: Path) -> None:
    path = tmp_path / "two.wav"
    both = np.stack([tone(300, RATE), np.zeros(RATE // 2, np.float32)], axis=1)
    soundfile.write(path, both, RATE, subtype="FLOAT")
    assert read_channels(path).shape == (RATE // 2, 2)
    assert np.allclose(read(path), tone(300, RATE) / 2, atol=1e-6)


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("missing.wav", None, "there is no such file"),
        ("empty.wav", b"", "is empty"),
        ("text.wav", b"this is a letter, not a recording\n" * 20, "is not audio"),
        ("cut.flac", b"fLaC\x00\x00\x00\x22", "is not audio"),
    ],
)
def test_what_is_no_recording_is_told(tmp_path: Path, name: str, content: bytes | None, says: str) -> None:
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(UserError) as error:
        read(path)
    assert says in str(error.value) and name in str(error.value) and "\n" not in str(error.value)


def test_a_recording_without_samples_and_a_folder_are_told(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "none.wav", np.zeros(0, np.float32), RATE)
    with pytest.raises(UserError, match="no samples"):
        read(tmp_path / "none.wav")
    with pytest.raises(UserError, match="is a folder"):
        read(tmp_path)


def test_samples_that_are_no_numbers_do_not_spread(tmp_path: Path) -> None:
    path = tmp_path / "broken.wav"
    audio = tone(300, RATE)
    audio[100], audio[200] = np.nan, np.inf
    soundfile.write(path, audio, RATE, subtype="FLOAT")
    assert np.isfinite(read(path)).all()


def test_levels_and_overdrive() -> None:
    assert level(np.zeros(0, np.float32)).peak == 0.0
    quiet = level(tone(200, RATE))
    assert quiet.peak == pytest.approx(0.3, abs=1e-3)
    assert quiet.rms == pytest.approx(0.3 / np.sqrt(2), rel=1e-2)
    assert not quiet.clipped
    assert level(np.clip(tone(200, RATE) * 10, -1, 1)).clipped


def test_only_the_speech_is_kept(say: Say) -> None:
    speech = say("about the same")
    audio = np.concatenate([silence(2.0), speech, silence(2.0)])
    kept = spoken(audio)
    assert kept is not None
    assert len(kept) < len(speech) + RATE
    assert np.abs(kept).max() == np.abs(speech).max()


def test_speech_too_quiet_for_the_detector_is_raised_and_found(say: Say) -> None:
    audio = np.concatenate([silence(0.5), say("number one") * 1e-3, silence(0.5)])
    assert spoken(audio) is not None


def test_silence_and_noise_hold_no_speech() -> None:
    assert spoken(silence(1.0)) is None
    assert spoken((0.01 * np.random.default_rng(3).standard_normal(RATE)).astype(np.float32)) is None


def test_resampling_there_and_back_keeps_speech() -> None:
    audio = tone(1000, RATE)
    back = resample(resample(audio, RATE, 48_000), 48_000, RATE)
    assert np.abs(back[800:-800] - audio[800:-800]).max() < 1e-3


def _noise(seconds: float, level: float, seed: int = 0) -> Samples:
    return (level * np.random.default_rng(seed).standard_normal(int(seconds * RATE))).astype(np.float32)


def test_talk_around_an_answer_is_cut_off() -> None:
    """An answer of 0.4 s, 10 dB above talk that goes on around it: what is kept is the answer and a little more."""
    sound = _noise(2.4, 0.05)
    begin, end = RATE, RATE + int(0.4 * RATE)
    sound[begin:end] += _noise(0.4, 0.05 * 10**0.5, seed=1)
    sound[:begin] *= 1 + 0.3 * np.sin(np.arange(begin) / RATE * 2 * np.pi * 4)  # talk comes and goes by syllables
    kept = foreground(sound)
    assert len(kept) < 1.1 * RATE
    at = int(np.flatnonzero(sound == kept[0])[0])
    assert at <= begin and at + len(kept) >= end
    assert np.array_equal(sound[at : at + len(kept)], kept)


def test_a_sentence_between_silences_is_left_whole() -> None:
    """The "not" of "not ... two" may be 15 dB weaker; without it the answer is turned round."""
    sound = np.concatenate(
        [_noise(0.3, 1e-4), _noise(0.3, 0.02), _noise(0.6, 1e-4), _noise(0.3, 0.11), _noise(0.3, 1e-4)]
    )
    assert np.array_equal(foreground(sound), sound)


def test_a_short_or_empty_sound_is_left_as_it_is() -> None:
    for sound in (np.zeros(0, np.float32), _noise(0.1, 0.1), np.zeros(RATE, np.float32)):
        assert np.array_equal(foreground(sound), sound)

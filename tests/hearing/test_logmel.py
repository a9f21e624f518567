"""The features, against the published definition of the mel scale and of the filters."""

from __future__ import annotations

import numpy as np
import pytest

from assistant.hearing.logmel import filters, log_mel
from assistant.hearing.recogniser import RATE

BIN = RATE / 400  # hertz


def centres(bands: int) -> np.ndarray:
    """Centre frequencies by M. Slaney's Auditory Toolbox (1998): linear below 1 kHz at 200/3 Hz a mel, above
    it 27
    logarithmic steps for a factor of 6.4."""
    mels = np.linspace(0, 15 + 27 * np.log(8) / np.log(6.4), bands + 2)[1:-1]
    return np.where(mels < 15, mels * 200 / 3, 1000 * 6.4 ** ((mels - 15) / 27))


@pytest.mark.parametrize("bands", [80, 128])
def test_filters_peak_at_the_mel_scales_centres_and_have_unit_area(bands: int) -> None:
    made = filters(bands)
    assert made.shape == (bands, 201)
    hertz = np.arange(201) * BIN
    wide = np.count_nonzero(made, axis=1) >= 8  # narrower ones are sampled too coarsely by the bins to be weighed
    assert np.count_nonzero(wide) > 8
    assert np.allclose(made[wide].sum(axis=1) * BIN, 1.0, atol=0.03)
    middle = (made @ hertz) / made.sum(axis=1)
    assert np.allclose(middle[wide], centres(bands)[wide], rtol=0.03)


@pytest.mark.parametrize("hertz", [300.0, 1000.0, 2500.0, 6000.0])
def test_a_tone_is_loudest_in_its_own_band(hertz: float) -> None:
    audio = np.sin(2 * np.pi * hertz * np.arange(RATE) / RATE).astype(np.float32)
    band = int(np.argmax(log_mel(audio)[:, 50]))
    assert abs(centres(80)[band] - hertz) < 0.06 * hertz + BIN


def test_shape_scale_and_floor() -> None:
    audio = np.zeros(2 * RATE, np.float32)
    audio[RATE // 2 : RATE] = 0.5 * np.sin(np.arange(RATE // 2) * 0.3)
    features = log_mel(audio)
    assert features.shape == (80, 200) and features.dtype == np.float32
    # (x + 4) / 4 of log10 values floored 8 below the loudest: a range of exactly 2
    assert features.max() - features.min() == pytest.approx(2.0, abs=1e-5)
    assert np.allclose(features, log_mel(audio * 0.1) + 2.0 * np.log10(10.0) / 4.0, atol=1e-4)


def test_silence_is_finite() -> None:
    assert np.isfinite(log_mel(np.zeros(RATE, np.float32))).all()

"""Players: what is played, when it stops, and when the assistant counts as speaking. No device, no wait."""

from __future__ import annotations

import sys
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.speaking import device, playback
from assistant.speaking.playback import (
    DEVICE_PATIENCE,
    TIMES_RATE,
    DevicePlayer,
    PlaybackError,
    SpeakingTimes,
    Spoken,
)
from assistant.speaking.voice import Speech

RATE = 1000


def speech(length: int, value: float = 0.5, rate: int = RATE) -> Speech:
    return Speech(np.full(length, value, np.float32), rate)


class FakeOutput:
    """A device pulled by hand: `pull(n)` gives what n samples of it would have sounded like."""

    def __init__(self, latency: float = 0.0) -> None:
        self.rate = RATE
        self.latency = latency
        self.closed = False
        self.time = 0.0
        self.fill: Callable[[np.ndarray], None] = lambda block: None

    def open(self, fill: Callable[[np.ndarray], None]) -> FakeOutput:
        self.fill = fill
        return self

    def pull(self, length: int) -> np.ndarray:
        block = np.full(length, np.nan, np.float32)
        self.fill(block)
        self.time += length / RATE
        assert not np.isnan(block).any()
        return block

    def close(self) -> None:
        self.closed = True


def player_on(output: FakeOutput) -> DevicePlayer:
    return DevicePlayer(output.open, clock=lambda: output.time)


@given(st.lists(st.integers(1, 300), max_size=5), st.lists(st.integers(1, 97), min_size=1, max_size=7))
def test_everything_said_is_played_once_in_order_whatever_the_blocks(lengths: list[int], blocks: list[int]) -> None:
    output = FakeOutput()
    player = player_on(output)
    said = [speech(n, 0.1 * (i + 1)) for i, n in enumerate(lengths)]
    for s in said:
        player.play(s)
    total = sum(lengths)
    heard: list[np.ndarray] = []
    while sum(map(len, heard)) < total + 200:
        heard.append(output.pull(blocks[len(heard) % len(blocks)]))
    played = np.concatenate(heard)
    expected = np.concatenate([s.samples for s in said]) if said else np.zeros(0)
    assert np.array_equal(played[:total], expected)
    assert not played[total:].any()
    assert not player.times.speaking


def test_stop_is_silent_from_the_next_block_on() -> None:
    output = FakeOutput()
    player = player_on(output)
    player.play(speech(500))
    player.play(speech(500))
    assert output.pull(100).all()
    player.stop()
    assert not output.pull(100).any()
    assert not player.times.speaking
    player.play(speech(50, 0.2))  # and it can speak again
    assert np.count_nonzero(output.pull(100)) == 50


def test_speaking_begins_with_the_request_and_ends_when_the_last_sample_is_out_of_the_device() -> None:
    output = FakeOutput(latency=0.04)
    player = player_on(output)
    output.pull(100)
    player.play(speech(150))
    for _ in range(2):
        output.pull(100)  # handed over at 0.1 to 0.3 s, heard 0.04 s later
        assert player.times.speaking
    while player.times.speaking:
        output.pull(10)
    (spoken,) = player.times.spoken
    assert spoken.start == 0.1 * TIMES_RATE
    assert spoken.stop is not None
    assert 0.25 + 0.04 <= spoken.stop / TIMES_RATE <= 0.25 + 0.04 + 0.11  # never early, at most a block late


def test_a_device_that_asks_for_nothing_more_of_a_prompt_is_gone() -> None:
    output = FakeOutput()
    player = player_on(output)
    player.play(speech(500))
    output.pull(100)
    output.time += DEVICE_PATIENCE - 0.2  # of which the block itself took 0.1
    assert not player.gone
    player.play(speech(500))  # more to say gives it no more time
    output.time += 0.2
    assert player.gone
    player.close()
    assert not player.gone and not player.times.speaking


def test_a_device_that_plays_is_not_gone_however_long_the_prompt_or_the_silence_before_it() -> None:
    output = FakeOutput()
    player = player_on(output)
    output.time += 10 * DEVICE_PATIENCE  # the program was held, and nothing was to be said
    player.play(speech(10_000))
    while player.times.speaking:
        assert not player.gone
        output.pull(100)
    assert not player.gone


def test_closing_lets_the_device_go_and_ends_the_speaking() -> None:
    output = FakeOutput()
    player = player_on(output)
    player.play(speech(500))
    player.close()
    assert output.closed
    assert not player.times.speaking


def test_speech_is_resampled_to_the_device() -> None:
    output = FakeOutput()
    player = player_on(output)
    player.play(speech(2000, rate=2 * RATE))
    assert np.count_nonzero(np.abs(output.pull(2000)) > 0.25) == pytest.approx(1000, abs=10)


def test_nothing_to_say_is_not_speaking() -> None:
    player = player_on(FakeOutput())
    player.play(speech(0))
    assert player.times.spoken == ()


def test_speaking_times_cover_the_speech_and_its_ringing() -> None:
    times = SpeakingTimes()
    times.begin(16_000)
    assert times.speaking
    assert times.touches(20_000, 20_001)
    assert not times.touches(0, 16_000)
    times.end(32_000)
    assert not times.speaking
    assert times.touches(35_999, 40_000, tail=0.25)
    assert not times.touches(36_000, 40_000, tail=0.25)
    assert times.touches(0, 16_001)


def test_speaking_on_without_a_pause_is_one_stretch_and_old_stretches_are_forgotten() -> None:
    times = SpeakingTimes()
    times.begin(0)
    times.begin(5)
    times.end(10)
    times.end(20)
    assert times.spoken == (Spoken(0, 10),)
    for start in range(100, 100 + 2 * playback.KEPT_TIMES):
        times.begin(start)
        times.end(start + 1)
    assert len(times.spoken) == playback.KEPT_TIMES


# --- the sounddevice adapter, against a stand-in for the library


class PortAudioError(Exception):
    pass


class FakeStream:
    latency = 0.02

    def __init__(self, **how: Any) -> None:
        self.how = how
        self.running = False

    def start(self) -> None:
        self.running = True

    def close(self, ignore_errors: bool = False) -> None:
        assert ignore_errors
        self.running = False


DEVICES = [
    {"name": "Desk Microphone", "max_output_channels": 0, "default_samplerate": 44_100.0},
    {"name": "Room Loudspeaker", "max_output_channels": 2, "default_samplerate": 48_000.0},
    {"name": "Ear Loudspeaker", "max_output_channels": 1, "default_samplerate": 16_000.0},
    {"name": "Ear Loudspeaker", "max_output_channels": 1, "default_samplerate": 44_100.0},
]


@pytest.fixture
def sounddevice(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """A machine with the DEVICES; `streams` collects what was opened."""

    def query_devices(number: int | None = -1, kind: str | None = None) -> Any:
        if number == -1:
            return DEVICES
        if number is None and not library.has_default:
            raise PortAudioError("Error querying device -1")
        return DEVICES[1 if number is None else number]

    def open_stream(**how: Any) -> FakeStream:
        library.streams.append(FakeStream(**how))
        return library.streams[-1]

    library = SimpleNamespace(
        PortAudioError=PortAudioError,
        query_devices=query_devices,
        OutputStream=open_stream,
        streams=[],
        has_default=True,
    )
    monkeypatch.setitem(sys.modules, "sounddevice", library)
    return library


def test_the_default_device_is_opened_at_its_own_rate(sounddevice: SimpleNamespace) -> None:
    player = device.open_player()
    (stream,) = sounddevice.streams
    assert stream.running
    assert stream.how.get("device") is None
    assert (stream.how["samplerate"], stream.how["channels"]) == (48_000, 2)
    player.play(speech(4800, rate=48_000))
    block = np.full((9600, 2), np.nan, np.float32)
    stream.how["callback"](block, len(block), None, None)
    assert np.count_nonzero(block[:, 0]) == 4800
    assert (block == block[:, :1]).all()  # the same in every channel
    player.close()
    assert not stream.running


def test_devices_that_play_are_named_once(sounddevice: SimpleNamespace) -> None:
    # One device is listed once for each of the system's sound interfaces, under the same name.
    assert device.output_names() == ["Room Loudspeaker", "Ear Loudspeaker"]


def test_a_machine_without_any_loudspeaker_is_told_what_to_do(sounddevice: SimpleNamespace) -> None:
    sounddevice.has_default = False
    with pytest.raises(PlaybackError, match=r"plug one in.*the system's default output.*--speak off"):
        device.open_player()


def test_a_device_that_refuses_its_rate_is_told(sounddevice: SimpleNamespace) -> None:
    def refuse(**how: Any) -> FakeStream:
        raise PortAudioError("Invalid sample rate")

    sounddevice.OutputStream = refuse
    with pytest.raises(PlaybackError, match="Invalid sample rate"):
        device.open_player()


def test_a_missing_portaudio_names_the_package(monkeypatch: pytest.MonkeyPatch) -> None:
    class Missing:
        def find_spec(self, name: str, *_: object) -> None:
            if name == "sounddevice":
                raise OSError("PortAudio library not found")  # what sounddevice 0.5 raises on import

    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Missing(), *sys.meta_path])
    with pytest.raises(PlaybackError, match="apt install libportaudio2"):
        device.open_player()


def test_a_missing_sounddevice_names_the_package(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(PlaybackError, match="pip install sounddevice"):
        device.output_names()

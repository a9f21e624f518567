"""Microphones: what is delivered comes out at 16 kHz, loss is noticed and mended. No device, no wait."""

from __future__ import annotations

import sys
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from assistant.hearing.microphone import (
    BACKLOG,
    LOST_AFTER,
    RETRY_AFTER,
    Block,
    Change,
    Deliver,
    Microphone,
    MicrophoneError,
    input_names,
    open_microphone,
)
from assistant.hearing.recogniser import RATE, Samples


class Clock:
    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


class Device:
    """A device worked by hand: `give(samples)` is what its thread would do."""

    def __init__(self, clock: Clock, rate: int = RATE, channels: int = 1) -> None:
        self.clock = clock
        self.rate = rate
        self.channels = channels
        self.alive = True
        self.plugged = True
        self.opened = self.closed = 0
        self.deliver: Deliver | None = None

    def open(self, deliver: Deliver) -> Device:
        if not self.plugged:
            raise MicrophoneError("it is not there")
        self.opened += 1
        self.alive = True
        self.deliver = deliver
        return self

    def close(self) -> None:
        self.closed += 1
        self.deliver = None

    def give(self, samples: Samples | int, overflow: bool = False) -> None:
        """Time goes on by the length of the samples, then they are delivered."""
        if isinstance(samples, int):
            samples = np.zeros(samples, np.float32)
        block = np.repeat(samples[:, None], self.channels, axis=1) if samples.ndim == 1 else samples
        self.clock.now += len(block) / self.rate
        assert self.deliver is not None
        self.deliver(block, len(block) / self.rate, overflow)


def heard(source: Microphone) -> list[Block]:
    blocks = []
    while (came := source.poll()) is not None:
        assert isinstance(came, Block)
        blocks.append(came)
    return blocks


def test_sound_comes_out_as_it_went_in_with_the_time_it_was_heard() -> None:
    clock = Clock()
    device = Device(clock)
    source = Microphone([device.open], clock)
    assert source.poll() is None
    sound = np.linspace(-1, 1, 800, dtype=np.float32)
    device.give(sound[:320])
    device.give(sound[320:])
    blocks = heard(source)
    assert np.array_equal(np.concatenate([block.samples[:, 0] for block in blocks]), sound)
    assert [block.begin for block in blocks] == pytest.approx([100.0, 100.02])
    assert not any(block.broken for block in blocks)


@pytest.mark.parametrize("rate", [44_100, 48_000, 8_000, 96_000])
def test_a_tone_at_the_devices_own_rate_is_the_same_tone_at_16_khz(rate: int) -> None:
    clock = Clock()
    device = Device(clock, rate)
    source = Microphone([device.open], clock)
    tone = np.sin(2 * np.pi * 440 * np.arange(2 * rate) / rate).astype(np.float32)
    for begin in range(0, len(tone), rate // 50):
        device.give(tone[begin : begin + rate // 50])
    blocks = heard(source)
    sound = np.concatenate([block.samples[:, 0] for block in blocks])
    assert 0 <= 2 * RATE - len(sound) < 0.15 * RATE  # what the resampler still holds
    spectrum = np.abs(np.fft.rfft(sound[RATE // 10 :][:RATE]))
    assert np.argmax(spectrum) == 440
    inner = sound[RATE // 2 : RATE]
    assert np.abs(inner).max() == pytest.approx(1.0, abs=0.01)
    # The time told of a sample is the time it sounded: the tone is where its phase says.
    block = blocks[len(blocks) // 2]
    at = block.begin - 100.0 + np.arange(len(block.samples)) / RATE
    assert np.allclose(block.samples[:, 0], np.sin(2 * np.pi * 440 * at), atol=0.02)


@pytest.mark.parametrize("rate", [32_000, 44_100, 48_000, 96_000])
def test_speech_passes_whole_and_what_lies_above_it_does_not_fold_down(rate: int) -> None:
    def level(hertz: float) -> float:
        clock = Clock()
        device = Device(clock, rate)
        source = Microphone([device.open], clock)
        tone = np.sin(2 * np.pi * hertz * np.arange(rate) / rate).astype(np.float32)
        for begin in range(0, rate, 441):
            device.give(tone[begin : begin + 441])
        sound = np.concatenate([block.samples[:, 0] for block in heard(source)])[2000:-2000]
        return float(20 * np.log10(np.std(sound) / np.std(tone) + 1e-9))

    assert all(abs(level(hertz)) < 0.2 for hertz in (100, 1000, 4000, 7000))
    assert all(level(hertz) < -80 for hertz in (9000, 10_000, 0.45 * rate))


@pytest.mark.parametrize("rate", [16_000, 44_100, 48_000])
@pytest.mark.parametrize("piece", [1, 7, 480, 4801])
def test_pieces_of_any_size_give_the_same_sound(rate: int, piece: int) -> None:
    sound = np.random.default_rng(3).standard_normal(rate // 8).astype(np.float32)

    def through(size: int) -> Samples:
        clock = Clock()
        device = Device(clock, rate)
        source = Microphone([device.open], clock)
        for begin in range(0, len(sound), size):
            device.give(sound[begin : begin + size])
        return np.concatenate([block.samples[:, 0] for block in heard(source)] or [np.zeros(0, np.float32)])

    whole, parts = through(len(sound)), through(piece)
    length = min(len(whole), len(parts))
    assert length > 0.03 * RATE and np.allclose(whole[:length], parts[:length], atol=1e-5)


def test_an_overflow_is_counted_and_told_with_the_sound_after_it() -> None:
    clock = Clock()
    device = Device(clock, 48_000)
    source = Microphone([device.open], clock)
    device.give(9600)
    device.give(9600, overflow=True)
    device.give(9600)
    assert [block.broken for block in heard(source)] == [False, True, False]
    assert source.overflows == 1


def test_sound_nobody_took_for_too_long_is_dropped_and_counts_as_an_overflow() -> None:
    clock = Clock()
    device = Device(clock)
    source = Microphone([device.open], clock)
    for _ in range(int(BACKLOG) + 10):
        device.give(RATE)
    blocks = heard(source)
    assert blocks[0].broken and not any(block.broken for block in blocks[1:])
    assert source.overflows > 0
    assert clock.now - blocks[0].begin <= BACKLOG


def test_a_microphone_without_sound_is_lost_within_a_second_and_back_with_its_sound() -> None:
    clock = Clock()
    device = Device(clock)
    source = Microphone([device.open], clock)
    device.give(320)
    assert len(heard(source)) == 1
    clock.now += LOST_AFTER - 0.01
    assert source.poll() is None
    clock.now += 0.1
    assert LOST_AFTER + 0.1 <= 1.0 and source.poll() is Change.LOST
    assert device.closed == 1 and source.poll() is None
    device.plugged = False
    for _ in range(5):
        clock.now += RETRY_AFTER
        assert source.poll() is None
    device.plugged = True
    clock.now += RETRY_AFTER
    assert source.poll() is None and device.opened == 2  # open, but a dead device opens too: its sound counts
    device.give(320)
    assert source.poll() is Change.BACK
    assert isinstance(source.poll(), Block)


def test_one_that_opens_again_and_stays_silent_is_still_lost_and_told_of_once() -> None:
    clock = Clock()
    device = Device(clock)
    source = Microphone([device.open], clock)
    told = []
    for _ in range(100):
        clock.now += 0.1
        told.append(source.poll())
    assert [one for one in told if one is not None] == [Change.LOST]
    assert device.opened > 2 and device.opened == device.closed + (device.deliver is not None)


def test_a_device_that_says_it_has_stopped_is_lost_at_once() -> None:
    clock = Clock()
    device = Device(clock)
    source = Microphone([device.open], clock)
    device.alive = False
    assert source.poll() is Change.LOST


def test_a_busy_listener_does_not_take_waiting_sound_for_loss() -> None:
    clock = Clock()
    device = Device(clock)
    source = Microphone([device.open], clock)
    device.give(320)
    clock.now += 5.0
    assert isinstance(source.poll(), Block)


def test_devices_are_looked_for_anew_only_while_none_is_open() -> None:
    clock = Clock()
    first, second = Device(clock), Device(clock)
    open_when_looked: list[int] = []

    def look() -> None:
        open_when_looked.append(sum(device.opened - device.closed for device in (first, second)))

    source = Microphone([first.open, second.open], clock, look_again=look)
    first.alive = False
    assert source.poll() is Change.LOST
    second.plugged = False
    for _ in range(3):
        clock.now += RETRY_AFTER
        assert source.poll() is None
    second.plugged = True
    clock.now += RETRY_AFTER
    assert source.poll() is None
    assert open_when_looked == [0, 0, 0, 0]
    assert first.opened - first.closed == second.opened - second.closed == 1


def test_two_devices_are_two_channels_side_by_side_in_time() -> None:
    clock = Clock()
    first, second = Device(clock), Device(clock, 48_000)
    source = Microphone([first.open, second.open], clock)

    def at(when: np.ndarray, hertz: float) -> Samples:
        return np.sin(2 * np.pi * hertz * when).astype(np.float32)

    begin = {id(first): 100.0, id(second): 100.013}  # the second starts a little later
    sounds = []
    for step in range(100):
        clock.now = 100.1 + step * 0.02
        for device, hertz in ((first, 300.0), (second, 500.0)):
            start = begin[id(device)] + step * 0.02
            samples = at(start + np.arange(device.rate // 50) / device.rate, hertz)
            assert device.deliver is not None
            device.deliver(samples[:, None], clock.now - start, False)
        sounds += heard(source)
    sound = np.concatenate([block.samples for block in sounds])
    assert sound.shape[1] == 2
    when = sounds[0].begin + np.arange(len(sound)) / RATE
    middle = slice(2000, -2000)
    assert np.allclose(sound[middle, 0], at(when, 300.0)[middle], atol=0.03)
    assert np.allclose(sound[middle, 1], at(when, 500.0)[middle], atol=0.03)


def test_one_of_two_that_cannot_be_opened_leaves_none_open() -> None:
    clock = Clock()
    first, second = Device(clock), Device(clock)
    second.plugged = False
    with pytest.raises(MicrophoneError):
        Microphone([first.open, second.open], clock)
    assert first.opened == first.closed == 1


# --- through a sounddevice that is none


class FakeSounddevice(SimpleNamespace):
    """As much of sounddevice as is used: devices as they are listed, streams worked by hand."""

    class PortAudioError(Exception):
        pass

    def __init__(self, devices: list[dict[str, Any]]) -> None:
        super().__init__()
        self.listed = list(devices)
        self.present = list(devices)
        self.streams: list[Any] = []
        self.restarts = 0

    def query_devices(self, number: int | None = None, kind: str | None = None) -> Any:
        if kind is None:
            return self.listed
        found = [d for d in self.listed if d["max_input_channels"]] if number is None else [self.listed[number]]
        if not found:
            raise ValueError("no input device")
        return found[0]

    def _terminate(self) -> None:
        assert not any(stream.running for stream in self.streams), "PortAudio was ended under an open stream"

    def _initialize(self) -> None:
        self.restarts += 1
        self.listed = list(self.present)

    def InputStream(self, **how: Any) -> Any:
        about = self.query_devices(how["device"], "input")
        if about not in self.present:
            raise self.PortAudioError("device unavailable")
        if about.get("pairs_only") and how["channels"] != 2:
            raise self.PortAudioError("invalid number of channels")
        stream = SimpleNamespace(**how, running=False, active=True)
        stream.start = lambda: setattr(stream, "running", True)
        stream.close = lambda ignore_errors: setattr(stream, "running", False)
        self.streams.append(stream)
        return stream


def listed(name: str, inputs: int = 1, rate: float = 48_000.0, **more: Any) -> dict[str, Any]:
    return {"name": name, "max_input_channels": inputs, "default_samplerate": rate, **more}


@pytest.fixture
def machine(monkeypatch: pytest.MonkeyPatch) -> Callable[..., FakeSounddevice]:
    def with_devices(*devices: dict[str, Any]) -> FakeSounddevice:
        fake = FakeSounddevice(list(devices))
        monkeypatch.setitem(sys.modules, "sounddevice", fake)
        return fake

    return with_devices


def sounded(stream: Any, samples: np.ndarray, age: float = 0.03, overflow: bool = False) -> None:
    when = SimpleNamespace(currentTime=50.0, inputBufferAdcTime=50.0 - age)
    stream.callback(samples, len(samples), when, SimpleNamespace(input_overflow=overflow))


def test_a_device_is_chosen_by_name_and_opened_at_its_own_rate(machine: Callable[..., FakeSounddevice]) -> None:
    fake = machine(listed("Speakers", 0), listed("Webcam", 2, 44_100.0), listed("Clip-on microphone (USB)"))
    assert input_names() == ["Webcam", "Clip-on microphone (USB)"]
    with open_microphone("clip-ON") as source:
        (stream,) = fake.streams
        assert (stream.device, stream.samplerate, stream.channels) == (2, 48_000, 1)
        sounded(stream, np.full((960, 1), 0.25, np.float32))
        sounded(stream, np.full((4800, 1), 0.25, np.float32), overflow=True)
        blocks = heard(source)
        assert sum(len(block.samples) for block in blocks) == pytest.approx(1920, abs=0.05 * RATE)
        assert blocks[-1].broken and source.overflows == 1
    assert not stream.running


def test_without_a_name_the_default_device_is_opened(machine: Callable[..., FakeSounddevice]) -> None:
    fake = machine(listed("Speakers", 0), listed("Webcam"))
    open_microphone().close()
    assert fake.streams[0].device is None


def test_a_device_that_records_in_pairs_only_is_heard_as_one(machine: Callable[..., FakeSounddevice]) -> None:
    fake = machine(listed("Interface", 2, 16_000.0, pairs_only=True))
    source = open_microphone("Interface")
    sounded(fake.streams[-1], np.array([[0.5, 0.25]] * 320, np.float32))
    (block,) = heard(source)
    assert block.samples.shape == (320, 1) and np.allclose(block.samples, 0.375)


def test_two_channels_of_one_device_stay_two(machine: Callable[..., FakeSounddevice]) -> None:
    fake = machine(listed("Interface", 2, 16_000.0))
    source = open_microphone("Interface", channels=2)
    sounded(fake.streams[-1], np.array([[0.5, 0.25]] * 320, np.float32))
    (block,) = heard(source)
    assert np.allclose(block.samples, [0.5, 0.25])


@pytest.mark.parametrize(
    ("wanted", "channels", "told"),
    [
        ("Lapel", 1, 'no microphone is called "Lapel".*"Webcam", "Webcam two"'),
        ("Web", 1, "part of several names.*Webcam, Webcam two"),
        ("Webcam two", 2, "Webcam two has one channel.*--patient-microphone"),
    ],
)
def test_what_cannot_be_used_says_what_to_do(
    machine: Callable[..., FakeSounddevice], wanted: str, channels: int, told: str
) -> None:
    machine(listed("Webcam"), listed("Webcam two"))
    with pytest.raises(MicrophoneError, match=told):
        open_microphone(wanted, channels=channels)


def test_a_machine_without_microphones_says_what_to_do(machine: Callable[..., FakeSounddevice]) -> None:
    machine(listed("Speakers", 0))
    with pytest.raises(MicrophoneError, match=r"plug one in.*--listen text"):
        open_microphone()


def test_missing_portaudio_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    class NoPortAudio:
        def find_spec(self, name: str, *_: object) -> None:
            if name == "sounddevice":
                raise OSError("PortAudio library not found")

    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(sys, "meta_path", [NoPortAudio(), *sys.meta_path])
    with pytest.raises(MicrophoneError, match="libportaudio2"):
        open_microphone()


def test_missing_sounddevice_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(MicrophoneError, match="pip install sounddevice"):
        open_microphone()


def test_unplugged_and_plugged_in_again_it_is_found_by_its_name(machine: Callable[..., FakeSounddevice]) -> None:
    clock = Clock()
    webcam, clip_on = listed("Webcam"), listed("Clip-on", rate=16_000.0)
    fake = machine(webcam, clip_on)
    speaker = SimpleNamespace(running=True)  # a loudspeaker's stream in the same process
    fake.streams.append(speaker)
    asked = []

    def aside(look: Callable[[], None]) -> None:
        asked.append(clock.now)
        if len(asked) == 1:
            return  # still speaking: not now
        speaker.running = False
        look()
        speaker.running = True

    source = open_microphone("Clip-on", aside=aside, clock=clock)
    fake.present = [webcam]
    clock.now += 1.0
    assert source.poll() is Change.LOST
    for _ in range(3):
        clock.now += RETRY_AFTER
        assert source.poll() is None
    fake.present = [clip_on]  # back, and with another number
    clock.now += RETRY_AFTER
    assert source.poll() is None
    assert fake.restarts == 3 and fake.streams[-1].device == 0
    sounded(fake.streams[-1], np.zeros((320, 1), np.float32))
    assert source.poll() is Change.BACK

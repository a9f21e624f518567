"""The voice: audible, even, remembered, and nothing else on standard output."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from assistant.speaking import engine as engine_module
from assistant.speaking.engine import Pyttsx3Engine
from assistant.speaking.voice import LEAD, LOUDEST, TAIL, Speech, Voice, VoiceError

SENTENCE = "Right eye: sphere, two clicks of minus, to minus one point five zero."


class CountingEngine:
    """An engine that gives a tone between stretches of silence, as real ones do, and counts."""

    rate = 1000

    def __init__(self, loudness: float = 0.5) -> None:
        self.loudness = loudness
        self.texts: list[str] = []

    def synthesize(self, text: str) -> tuple[np.ndarray, int]:
        self.texts.append(text)
        tone = self.loudness * np.sin(np.arange(500) * 0.3)
        quiet = np.zeros(300)
        return np.concatenate([quiet, tone, quiet]).astype(np.float32), self.rate


def test_a_prompt_is_audible_speech_of_a_plausible_length() -> None:
    speech = Voice().render(SENTENCE)
    # 15 words; read aloud at 100 to 250 words a minute (common practice, no source)
    assert 15 / 250 * 60 * 0.8 < speech.seconds < 15 / 100 * 60
    assert speech.samples.dtype == np.float32
    assert np.abs(speech.samples).max() == pytest.approx(LOUDEST, abs=0.001)
    frames = speech.samples[: len(speech.samples) // 441 * 441].reshape(-1, 441)
    assert np.mean(np.sqrt((frames**2).mean(axis=1)) > 0.01) > 0.6  # mostly sound, not mostly silence


def test_words_that_sound_different_give_different_sound() -> None:
    voice = Voice()
    one, two = voice.render("one").samples, voice.render("two").samples
    assert len(one) != len(two) or not np.array_equal(one, two)


def test_nothing_is_printed(capfd: pytest.CaptureFixture[str]) -> None:
    Voice().render("Standard output may carry the events of the exam.")
    captured = capfd.readouterr()
    assert captured.out == ""
    assert captured.err == ""


def test_what_other_threads_print_meanwhile_is_not_lost(capsys: pytest.CaptureFixture[str]) -> None:
    begun = threading.Event()

    class PrintsMeanwhile(Pyttsx3Engine):
        def synthesize(self, text: str) -> tuple[np.ndarray, int]:
            begun.set()
            return super().synthesize(text)

    def write() -> None:
        begun.wait()
        for number in range(200):
            print(number)

    thread = threading.Thread(target=write)
    thread.start()
    Voice(engine=PrintsMeanwhile(None, 165)).render(SENTENCE * 5)
    thread.join()
    assert capsys.readouterr().out.split() == [str(n) for n in range(200)]


def test_the_environment_is_left_as_it_was() -> None:
    before = dict(os.environ)
    Voice().render("one")
    assert dict(os.environ) == before


def test_a_long_session_and_several_threads_never_lose_or_mix_up_words() -> None:
    # With pyttsx3's own loop about one rendering in 300 was empty. eSpeak NG's flutter makes renderings differ by 2 %
    # in length, where these words differ by 40 %.
    engine = Pyttsx3Engine(None, 165)
    lengths = {text: len(engine.synthesize(text)[0]) for text in ("yes", "about the same", SENTENCE)}
    wrong: list[tuple[str, int]] = []

    def speak_often() -> None:
        for _ in range(40):
            for text, length in lengths.items():
                got = len(engine.synthesize(text)[0])
                if abs(got - length) > 0.1 * length:
                    wrong.append((text, got))

    threads = [threading.Thread(target=speak_often) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []


def test_two_voices_do_not_take_on_each_others_speed() -> None:
    slow, fast = Voice(words_per_minute=120), Voice(words_per_minute=220)
    slow.render("warm up"), fast.render("warm up")
    assert slow.render(SENTENCE).seconds > 1.3 * fast.render(SENTENCE).seconds


def test_a_prompt_said_before_is_not_rendered_again_and_cannot_be_changed_by_its_user() -> None:
    engine = CountingEngine()
    voice = Voice(engine=engine)
    first = voice.render("one or two")
    assert voice.render("one  or\ntwo") is first  # spacing is not spoken
    assert engine.texts == ["one or two"]
    with pytest.raises(ValueError, match="read-only"):
        first.samples[0] = 1.0


def test_only_the_longest_unused_prompt_is_forgotten(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("assistant.speaking.voice.REMEMBERED", 2)
    engine = CountingEngine()
    voice = Voice(engine=engine)
    for text in ("a", "b", "a", "c", "a", "b"):
        voice.render(text)
    assert engine.texts == ["a", "b", "c", "b"]


def test_silence_at_the_ends_is_cut_to_a_lead_and_a_tail() -> None:
    speech = Voice(engine=CountingEngine()).render("x")
    assert speech.seconds == pytest.approx(0.5 + LEAD + TAIL, abs=0.005)
    assert not speech.samples[: int(LEAD * 1000)].any()
    assert np.abs(speech.samples[int(LEAD * 1000) + 1 :]).max() > 0.5


def test_quiet_and_loud_engines_sound_alike() -> None:
    quiet, loud = (Voice(engine=CountingEngine(level)).render("x") for level in (0.05, 0.95))
    assert np.allclose(quiet.samples, loud.samples, atol=0.02)


@pytest.mark.parametrize("nothing", ["", "   ", "...", "\n"])
def test_no_words_give_no_sound(nothing: str) -> None:
    assert Voice().render(nothing).seconds == 0


def test_an_engine_that_gives_silence_is_an_error_and_not_a_silent_prompt() -> None:
    with pytest.raises(VoiceError, match="only silence: run with --speak off"):
        Voice(engine=CountingEngine(0.0)).render("x")


def test_a_voice_that_is_not_there_is_named_with_the_way_out() -> None:
    with pytest.raises(VoiceError, match=r"no-such-voice.*--speak off"):
        Voice("no-such-voice").render("one")
    assert Voice().render("one").seconds > 0.1  # and the next one speaks


def test_text_with_any_characters_is_spoken() -> None:
    plain, odd = Voice().render("one two three"), Voice().render("one\0two\u2009three <b>&amp;")
    assert odd.seconds > plain.seconds


def test_a_text_the_library_does_not_take_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    Voice().render("one")
    from pyttsx3.drivers import _espeak

    monkeypatch.setattr(_espeak, "Synth", lambda text, flags: _espeak.EE_BUFFER_FULL)
    with pytest.raises(VoiceError, match=r"did not take the text.*--speak off"):
        Voice().render("two")


class SystemVoice:
    """Stands in for pyttsx3 where it speaks with a system's own voices: it writes a tone to the file it is given."""

    driver_name = "sapi5"

    def __init__(self, fault: str = "") -> None:
        self.fault = fault
        self.set: dict[str, object] = {}
        self.told = threading.Event()
        self.proxy = self
        self.listener: Callable[..., None] | None = None
        self.files: list[Path] = []

    def connect(self, topic: str, listener: Callable[..., None]) -> str:
        assert topic == "error"
        self.listener = listener
        return "token"

    def disconnect(self, token: str) -> None:
        assert token == "token"
        self.listener = None

    def setProperty(self, name: str, value: object) -> None:
        self.set[name] = value
        if name == "voice" and self.fault == "no voice":
            assert self.listener is not None
            self.listener(name=None, exception=ValueError("unknown voice id"))

    def save_to_file(self, text: str, path: str) -> None:
        self.files.append(Path(path))
        if self.fault != "no file":
            both = np.stack([np.full(100, 0.25), np.full(100, 0.75)], axis=1)
            soundfile.write(path, both, 16_000, subtype="FLOAT")

    def runAndWait(self) -> None:
        if self.fault == "endless":
            self.told.wait()

    def endLoop(self, use_driver_loop: bool) -> None:
        self.told.set()


def test_a_system_voice_is_read_from_its_file_which_goes(monkeypatch: pytest.MonkeyPatch) -> None:
    system = SystemVoice()
    monkeypatch.setattr(engine_module, "_engine", system)
    samples, rate = Pyttsx3Engine("Some Voice", 180).synthesize("one")
    assert rate == 16_000
    assert np.allclose(samples, 0.5)  # two channels are heard as their mean
    assert system.set == {"voice": "Some Voice", "rate": 180}
    assert [path.parent.exists() for path in system.files] == [False]
    assert system.listener is None


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        (
            "no voice",
            r"Some Voice cannot speak \(unknown voice id\): make another one the system's own.*--speak off",
        ),
        ("no file", r"left no sound.*--speak off"),
        ("endless", r"gave nothing within.*--speak off"),
    ],
)
def test_what_goes_wrong_with_a_system_voice_is_told(monkeypatch: pytest.MonkeyPatch, fault: str, told: str) -> None:
    monkeypatch.setattr(engine_module, "_engine", SystemVoice(fault))
    monkeypatch.setattr(engine_module, "LONGEST_RENDER", 0.01)
    with pytest.raises(VoiceError, match=told):
        Pyttsx3Engine("Some Voice", 180).synthesize("one")


def test_without_pyttsx3_the_error_says_how_to_install_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine_module, "_engine", None)
    monkeypatch.setitem(__import__("sys").modules, "pyttsx3", None)
    with pytest.raises(VoiceError, match="pip install pyttsx3"):
        Voice().render("one")


@pytest.fixture
def ramp() -> Iterator[Speech]:
    yield Speech(np.sin(np.arange(8000) * 2 * np.pi * 440 / 8000).astype(np.float32), 8000)


def test_resampling_keeps_length_and_pitch(ramp: Speech) -> None:
    there = ramp.at(48_000)
    assert there.rate == 48_000
    assert there.seconds == pytest.approx(ramp.seconds, abs=0.001)
    assert np.argmax(np.abs(np.fft.rfft(there.samples))) == pytest.approx(440, abs=1)
    assert ramp.at(8000) is ramp


@pytest.mark.parametrize(
    ("samples", "rate", "field"),
    [
        (np.zeros((4, 2), np.float32), 8000, "samples"),
        (np.zeros(4, np.float64), 8000, "samples"),
        (np.zeros(4, np.float32), 0, "rate"),
    ],
)
def test_an_invalid_speech_cannot_exist(samples: np.ndarray, rate: int, field: str) -> None:
    with pytest.raises(ValueError, match=f"^{field}:"):
        Speech(samples, rate)

"""Text to samples with pyttsx3. The only module that touches pyttsx3.

On Linux pyttsx3 speaks through eSpeak NG. The wheel `espeakng-loader` brings that library and its voices, so
no system package is needed: it is loaded before pyttsx3 looks for it, and pyttsx3 then finds it by its name.
On macOS and Windows pyttsx3 uses the system's own voices.

What pyttsx3 2.99 does that this module must guard against:

* `save_to_file` prints to standard output, which may carry the exam's events. Redirecting `sys.stdout` would
  swallow what other threads write meanwhile, so `print` is replaced in that one driver module instead.
* the file given to `save_to_file` sticks: a later `say` would write over it. `say` is never called, and every
  text gets its own file, in memory where the driver allows it: with a full disk its loop would run for ever.
* an error inside the driver is passed to an "error" topic and otherwise lost, or leaves no file behind.
* its loop must not be entered twice, and the engine is one for the whole process: all is behind one lock.
* its loop ends when the driver has written the file, or never: a watchdog ends it.
"""

from __future__ import annotations

import atexit
import contextlib
import ctypes
import importlib
import io
import os
import sys
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

ESPEAK_VOICE = "en-us"  # eSpeak NG's voice where none is named; chosen by measurement, see DEVELOPERS.md
LONGEST_RENDER = 5.0  # seconds; a prompt takes about 10 ms with eSpeak NG, up to about 1 s with system voices

_lock = threading.RLock()
_engine: Any = None


class VoiceError(RuntimeError):
    """No speech could be made; the message says why and what to do. The exam goes on with text."""


class Pyttsx3Engine:
    """One voice of pyttsx3 at one speed.

    voice             the engine's name for it ("en-us", "en-us+f3" with eSpeak NG), or None for the default.
    words_per_minute  the speed asked for.
    """

    def __init__(self, voice: str | None, words_per_minute: int) -> None:
        self._voice = voice
        self._words_per_minute = words_per_minute

    def synthesize(self, text: str) -> tuple[npt.NDArray[np.float32], int]:
        """The text spoken, as mono samples in -1..1 and their rate in hertz; raises VoiceError."""
        with _lock:
            engine = _start()
            errors: list[Exception] = []
            token = engine.connect("error", lambda name, exception: errors.append(exception))
            try:
                with _sound_file(engine.driver_name) as file:
                    voice = self._voice or (ESPEAK_VOICE if engine.driver_name == "espeak" else None)
                    if voice is not None:
                        engine.setProperty("voice", voice)
                    engine.setProperty("rate", self._words_per_minute)
                    engine.save_to_file(text, file)
                    _run(engine)
                    if errors:
                        raise VoiceError(
                            f"the voice {voice or 'of this system'} cannot speak ({errors[0]}): "
                            "choose another voice in the settings, or run with --speak off"
                        ) from errors[0]
                    return _read(file)
            finally:
                engine.disconnect(token)


def voice_names() -> list[str]:
    """Names of the English voices that this machine can speak with; raises VoiceError."""
    with _lock:
        voices = _start().getProperty("voices")
        return sorted(v.id for v in voices if any(str(tag).startswith("en") for tag in v.languages or ["en"]))


def _start() -> Any:
    """The process's one pyttsx3 engine, started when first needed."""
    global _engine
    if _engine is None:
        with _packaged_espeak():
            try:
                import pyttsx3

                _engine = pyttsx3.init()
            except ImportError as error:
                raise VoiceError("pyttsx3 is not installed: pip install pyttsx3") from error
            except Exception as error:  # each driver raises its own kinds; all mean: no voice here
                raise VoiceError(
                    f"no voice could be started ({error}): pip install espeakng-loader, "
                    "or run with --speak off"
                ) from error
        driver = importlib.import_module(f"pyttsx3.drivers.{_engine.driver_name}")
        atexit.register(_forget)
        driver.print = lambda *_, **__: None  # type: ignore[attr-defined]  # see the module's first trap
    return _engine


def _forget() -> None:
    """Let the engine go while Python is whole: its driver complains when it goes with the interpreter."""
    global _engine
    _engine = None


@contextlib.contextmanager
def _packaged_espeak() -> Iterator[None]:
    """Make the packaged eSpeak NG the one that pyttsx3 finds while it starts (Linux only)."""
    if not sys.platform.startswith("linux"):
        yield
        return
    try:
        import espeakng_loader

        ctypes.CDLL(espeakng_loader.get_library_path(), mode=ctypes.RTLD_GLOBAL)
    except (ImportError, OSError):
        yield  # a system library may be there; if not, pyttsx3 says so
        return
    # Library and data must be of one version, so a value set for another installation is put aside meanwhile.
    before = os.environ.get("ESPEAK_DATA_PATH")
    os.environ["ESPEAK_DATA_PATH"] = espeakng_loader.get_data_path()
    try:
        yield
    finally:
        if before is None:
            del os.environ["ESPEAK_DATA_PATH"]
        else:
            os.environ["ESPEAK_DATA_PATH"] = before


def _run(engine: Any) -> None:
    """Run pyttsx3's loop to its end, and end it when it does not."""
    late = threading.Event()

    def end() -> None:
        late.set()
        engine.proxy.endLoop(True)  # the engine's own endLoop believes that its loop has ended already

    watchdog = threading.Timer(LONGEST_RENDER, end)
    watchdog.daemon = True
    watchdog.start()
    try:
        engine.runAndWait()
    finally:
        watchdog.cancel()
    if late.is_set():
        raise VoiceError(f"the voice gave nothing within {LONGEST_RENDER:.0f} seconds: run with --speak off")


@contextlib.contextmanager
def _sound_file(driver_name: str) -> Iterator[io.BytesIO | str]:
    """What pyttsx3 may write one prompt to: memory for the eSpeak driver, else a file removed afterwards."""
    if driver_name == "espeak":
        yield io.BytesIO()
        return
    with tempfile.TemporaryDirectory(prefix="prompt-") as folder:
        yield str(Path(folder) / "prompt.wav")


def _read(file: io.BytesIO | str) -> tuple[npt.NDArray[np.float32], int]:
    import soundfile

    if isinstance(file, io.BytesIO):
        file.seek(0)
    try:
        samples, rate = soundfile.read(file, dtype="float32", always_2d=True)
    except (OSError, soundfile.SoundFileError) as error:
        raise VoiceError(f"the voice left no sound ({error}): run with --speak off") from error
    return samples.mean(axis=1, dtype=np.float32), int(rate)

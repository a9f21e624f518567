"""Text to samples with pyttsx3. The only module that touches pyttsx3.

On Linux pyttsx3 speaks through eSpeak NG. The wheel `espeakng-loader` brings that library and its voices, so
no system package is needed: it is loaded before pyttsx3 looks for it, and pyttsx3 then finds it by its name.
There, pyttsx3's own binding of the library is used, without its loop: that loop, in pyttsx3 2.99, ends on an
event that may still be of the text before, so that a prompt comes out empty about once in 300, and it never ends
when the sound cannot be written.

On macOS and Windows pyttsx3 uses the system's own voices, through its loop and a file. What must be guarded
against there:

* the file given to `save_to_file` sticks: a later `say` would write over it. `say` is never called, and every
  text gets its own file.
* an error inside the driver is passed to an "error" topic and otherwise lost, or leaves no file behind.
* its loop must not be entered twice, and may never end: all is behind one lock, and a watchdog ends the loop.
"""

from __future__ import annotations

import atexit
import contextlib
import ctypes
import os
import sys
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ..errors import UserError

ESPEAK_VOICE = "en-us"  # eSpeak NG's voice where none is named
ESPEAK_RATE = 22_050  # hertz: what eSpeak NG's own voices give, and pyttsx3 counts on
LONGEST_RENDER = 5.0  # seconds; a system voice takes up to about 1 s for a prompt

_lock = threading.RLock()
_engine: Any = None
_sound: list[bytes] = []  # what eSpeak NG has given of the text it is at, 16-bit samples


class VoiceError(UserError):
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
            if engine.driver_name == "espeak":
                return _espeak(text, self._voice or ESPEAK_VOICE, self._words_per_minute)
            return _system_voice(engine, text, self._voice, self._words_per_minute)


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
                    f"no voice could be started ({error}): pip install espeakng-loader, or run with --speak off"
                ) from error
        if _engine.driver_name == "espeak":
            from pyttsx3.drivers import _espeak as library

            library.SetSynthCallback(_take)
        atexit.register(_forget)
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


# --- eSpeak NG


def _take(sound: Any, length: int, events: Any) -> int:
    """Called by eSpeak NG from its own thread with each piece of sound, and with none at the end."""
    if length > 0:
        _sound.append(ctypes.string_at(sound, length * 2))
    return 0


def _espeak(text: str, voice: str, words_per_minute: int) -> tuple[npt.NDArray[np.float32], int]:
    from pyttsx3.drivers import _espeak as library

    if library.SetVoiceByName(voice.encode()) != library.EE_OK:
        raise VoiceError(
            f"eSpeak NG has no voice {voice}: pip install --force-reinstall espeakng-loader, or --speak off"
        )
    library.SetParameter(library.RATE, words_per_minute, 0)
    _sound.clear()
    # A zero byte would end the text early.
    asked = library.Synth(text.replace("\0", " ").encode(), flags=library.ENDPAUSE | library.CHARS_UTF8)
    library.Synchronize()  # returns when the last piece of sound has been given
    if asked != library.EE_OK:
        raise VoiceError(f"eSpeak NG did not take the text (code {asked}): run with --speak off")
    samples = np.frombuffer(b"".join(_sound), "<i2").astype(np.float32)
    samples /= 32768
    return samples, ESPEAK_RATE


# --- the system's own voices


def _system_voice(
    engine: Any, text: str, voice: str | None, words_per_minute: int
) -> tuple[npt.NDArray[np.float32], int]:
    errors: list[Exception] = []
    token = engine.connect("error", lambda name, exception: errors.append(exception))
    try:
        with tempfile.TemporaryDirectory(prefix="prompt-") as folder:
            path = Path(folder) / "prompt.wav"
            if voice is not None:
                engine.setProperty("voice", voice)
            engine.setProperty("rate", words_per_minute)
            engine.save_to_file(text, str(path))
            _run(engine)
            if errors:
                raise VoiceError(
                    f"the voice {voice or 'of this system'} cannot speak ({errors[0]}): "
                    "make another one the system's own voice, or run with --speak off"
                ) from errors[0]
            return _read(path)
    finally:
        engine.disconnect(token)


def _run(engine: Any) -> None:
    """Run pyttsx3's loop to its end, and end it when it does not."""
    late = threading.Event()

    def end() -> None:
        late.set()
        engine.proxy.endLoop(True)  # the engine's own endLoop may believe that its loop has ended already

    watchdog = threading.Timer(LONGEST_RENDER, end)
    watchdog.daemon = True
    watchdog.start()
    try:
        engine.runAndWait()
    finally:
        watchdog.cancel()
    if late.is_set():
        raise VoiceError(f"the voice gave nothing within {LONGEST_RENDER:.0f} seconds: run with --speak off")


def _read(path: Path) -> tuple[npt.NDArray[np.float32], int]:
    import soundfile

    try:
        samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
    except (OSError, soundfile.SoundFileError) as error:
        raise VoiceError(f"the voice left no sound ({error}): run with --speak off") from error
    return samples.mean(axis=1, dtype=np.float32), int(rate)

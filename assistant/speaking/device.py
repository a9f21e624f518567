"""The loudspeaker, through sounddevice (PortAudio): the system's default output. The only module of this package that
touches it.

PortAudio lists the devices once, when it starts: one plugged in later is seen when they are looked for again
(`hearing.microphone`), or by the next exam.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from .playback import DevicePlayer, Fill, Output, PlaybackError

LATENCY = "low"  # a prompt must stop as soon as the examiner wants it to


def open_player() -> DevicePlayer:
    """A player on the system's default output; raises PlaybackError, with what to do, where it cannot be opened."""
    return DevicePlayer(_open)


def output_names() -> list[str]:
    """Names of the devices that can play; raises PlaybackError where PortAudio is missing."""
    return list(dict.fromkeys(d["name"] for d in _sounddevice().query_devices() if d["max_output_channels"] > 0))


def _sounddevice() -> Any:
    try:
        import sounddevice
    except ImportError as error:
        raise PlaybackError("sounddevice is not installed: pip install sounddevice") from error
    except OSError as error:  # sounddevice's own wheel has PortAudio for macOS and Windows only
        raise PlaybackError(
            "the sound library PortAudio is missing: on Debian or Ubuntu, sudo apt install libportaudio2"
        ) from error
    return sounddevice


class _Stream:
    """A running sounddevice stream as an `Output`."""

    def __init__(self, stream: Any, rate: int) -> None:
        self._stream = stream
        self.rate = rate
        self.latency = float(stream.latency)

    def close(self) -> None:
        self._stream.close(ignore_errors=True)  # a device that was unplugged cannot be closed properly


def _open(fill: Fill) -> Output:
    sounddevice = _sounddevice()
    try:
        about = sounddevice.query_devices(None, "output")
        rate = int(about["default_samplerate"])
        channels = min(2, int(about["max_output_channels"]))

        def callback(block: npt.NDArray[np.float32], frames: int, when: Any, status: Any) -> None:
            mono = np.empty(frames, np.float32)
            fill(mono)
            block[:] = mono[:, np.newaxis]

        stream = sounddevice.OutputStream(
            samplerate=rate,
            channels=channels,
            dtype="float32",
            latency=LATENCY,
            callback=callback,
        )
        output = _Stream(stream, rate)
        stream.start()
    except (sounddevice.PortAudioError, ValueError) as error:
        raise PlaybackError(
            f"no loudspeaker can be used ({error}): plug one in and make it the system's default output, "
            "or run with --speak off"
        ) from error
    return output

"""Sound devices for output, through sounddevice (PortAudio). The only module of this package that touches it.

PortAudio lists the devices once, when it starts: a loudspeaker plugged in later is seen by the next exam.
Devices are chosen by name, since their numbers change with whatever else is plugged in.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from .playback import DevicePlayer, Fill, Output, PlaybackError

LATENCY = "low"  # a prompt must stop as soon as the examiner wants it to


def open_player(device: str | None = None) -> DevicePlayer:
    """A player on the output device whose name holds `device` (any case), or on the system's default one.

    Raises PlaybackError, with what to do about it, when there is no such device or it cannot be opened.
    """
    return DevicePlayer(lambda fill: _open(device, fill))


def output_names() -> list[str]:
    """Names of the devices that can play; raises PlaybackError where PortAudio is missing."""
    return [d["name"] for d in _sounddevice().query_devices() if d["max_output_channels"] > 0]


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


def _open(device: str | None, fill: Fill) -> Output:
    sounddevice = _sounddevice()
    try:
        number = _number(sounddevice, device)
        about = sounddevice.query_devices(number, "output")
        rate = int(about["default_samplerate"])
        channels = min(2, int(about["max_output_channels"]))

        def callback(block: npt.NDArray[np.float32], frames: int, when: Any, status: Any) -> None:
            mono = np.empty(frames, np.float32)
            fill(mono)
            block[:] = mono[:, np.newaxis]

        stream = sounddevice.OutputStream(
            samplerate=rate,
            device=number,
            channels=channels,
            dtype="float32",
            latency=LATENCY,
            callback=callback,
        )
        output = _Stream(stream, rate)
        stream.start()
    except (sounddevice.PortAudioError, ValueError) as error:
        raise PlaybackError(
            f"no loudspeaker can be used ({error}): plug one in and choose it, or run with --speak off"
        ) from error
    return output


def _number(sounddevice: Any, device: str | None) -> int | None:
    """The device's number, or None for the system's default."""
    if device is None:
        return None
    devices = enumerate(sounddevice.query_devices())
    playing = [(number, d["name"]) for number, d in devices if d["max_output_channels"] > 0]
    found = [p for p in playing if p[1] == device]
    found = found or [p for p in playing if device.casefold() in p[1].casefold()]
    # One device is listed once for each of the system's sound interfaces, under the same name.
    names = dict.fromkeys(name for _, name in found)
    if not names:
        there = ", ".join(f'"{name}"' for name in dict.fromkeys(name for _, name in playing)) or "none"
        raise PlaybackError(f'no loudspeaker is called "{device}"; this machine has: {there}')
    if len(names) > 1:
        raise PlaybackError(f'"{device}" is part of several names ({", ".join(names)}): give more of it')
    return found[0][0]

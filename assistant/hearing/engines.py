"""Which recogniser is used, by name and model path."""

from __future__ import annotations

from pathlib import Path

from ..errors import UserError
from .recogniser import Recogniser

NAMES = ("whisper", "vosk")


def load(name: str | None = None, model: Path | None = None) -> Recogniser:
    """A recogniser, ready to hear; without a name, the embedded one. Raises UserError if it cannot be had."""
    if name in (None, "whisper"):
        from .whisper import WhisperRecogniser

        return WhisperRecogniser(model)
    if name == "vosk":
        from .vosk_engine import VoskRecogniser

        if model is None:
            raise UserError("Vosk needs a model on this machine. Fix: --model FOLDER (an unpacked Vosk model)")
        return VoskRecogniser(model)
    raise UserError(f"no engine {name!r}. Fix: use one of {', '.join(NAMES)}")

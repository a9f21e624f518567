"""Utterances as FLAC files (soundfile)."""

from __future__ import annotations

import io
from typing import Any

from ..errors import UserError


def flac(samples: Any, rate: int) -> bytes:
    """Mono samples (1-D array, float in -1..1 or int16) at `rate` Hz as the bytes of a 16-bit FLAC file."""
    try:
        import soundfile
    except (ImportError, OSError) as error:
        raise UserError(f"recordings cannot be stored: {error}. Fix: pip install soundfile") from None
    buffer = io.BytesIO()
    soundfile.write(buffer, samples, rate, format="FLAC", subtype="PCM_16")
    return buffer.getvalue()

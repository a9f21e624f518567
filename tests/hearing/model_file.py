"""The encoder's variables out of a CTranslate2 model file: names, shapes and values, one after another."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

KINDS = {0: np.float32, 1: np.int8, 2: np.int16, 3: np.int32, 4: np.float16}


def encoder_weights(path: Path) -> dict[str, np.ndarray]:
    """As 32-bit floats, by their names without "encoder/". Source: CTranslate2's own converter, `model_spec.py`."""
    raw, at, found = path.read_bytes(), 0, {}

    def number(form: str) -> int:
        nonlocal at
        (value,) = struct.unpack_from(f"<{form}", raw, at)
        at += struct.calcsize(f"<{form}")
        return int(value)

    def text() -> str:
        nonlocal at
        length = number("H")
        at += length
        return raw[at - length : at - 1].decode()

    number("I"), text(), number("I")  # versions and the kind of model
    for _ in range(number("I")):
        name = text()
        shape = [number("I") for _ in range(number("B"))]
        kind, length = np.dtype(KINDS[number("B")]), number("I")
        if name.startswith("encoder/"):
            values = np.frombuffer(raw, kind, length // kind.itemsize, at).reshape(shape)
            found[name.removeprefix("encoder/")] = values.astype(np.float32)
        at += length
    return found

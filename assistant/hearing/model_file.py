"""What is in a CTranslate2 model file: names, shapes and values, one after another."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Final

import numpy as np

from .layers import Values

_KINDS: Final = {0: np.float32, 1: np.int8, 2: np.int16, 3: np.int32, 4: np.float16}


def weights(path: Path, part: str) -> dict[str, Values]:
    """The variables of a `part` ("encoder", "decoder"), by their names within it, as 32-bit floats.

    Source: CTranslate2's own converter, `specs/model_spec.py`.
    """
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
        kind, length = np.dtype(_KINDS[number("B")]), number("I")
        if name.startswith(f"{part}/"):
            values = np.frombuffer(raw, kind, length // kind.itemsize, at).reshape(shape)
            found[name.removeprefix(f"{part}/")] = values.astype(np.float32)
        at += length
    return found

"""What every recogniser offers the exam: one utterance and the live grammar in, one `Heard` out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from ..grammar import Grammar
    from ..protocol.meanings import Heard

Samples = NDArray[np.float32]

RATE = 16_000  # samples a second: what every engine here is trained on


class Recogniser(Protocol):
    """One engine with one model. Loading is done when it is made; `hear` may be called any number of times.

    `name` and `model` go into the exam's log: which engine, and which model (a folder's name, never a full
    path).
    """

    @property
    def name(self) -> str: ...

    @property
    def model(self) -> str: ...

    def hear(self, audio: Samples, grammar: Grammar) -> Heard:
        """The meaning of one utterance (mono, 16 kHz, -1..1), or why there is none.

        Never raises for what the audio holds. `by` and `after` are left None: an engine cannot know them.
        """
        ...

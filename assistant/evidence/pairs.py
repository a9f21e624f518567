"""What evidence is made of."""

from __future__ import annotations

from ..protocol.meanings import Heard
from ..protocol.questions import Question

Pair = tuple[Question, Heard]
"""A question put to an eye and what was answered."""

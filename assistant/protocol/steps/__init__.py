"""The steps of the exam, one module each: pure adaptive procedures with two verbs.

`ask(eye)` gives the next question, or None when the step is done; `answer(eye, heard)` takes the reply and
gives what follows as a `Move`. A step is a frozen value, so the exam can keep every earlier state and go back to it.
"""

from __future__ import annotations

from .base import Move, Step

__all__ = ["Move", "Step"]

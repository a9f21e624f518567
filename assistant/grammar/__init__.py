"""Words and meanings: grammar files, spoken numbers, the prompts' wording. Pure: no files, no audio."""

from .grammar import LISTENING_FOR, Grammar, Grammars, Parsed, Phrase, Template, listening_for
from .jsgf import GrammarError

__all__ = [
    "LISTENING_FOR",
    "Grammar",
    "GrammarError",
    "Grammars",
    "Parsed",
    "Phrase",
    "Template",
    "listening_for",
]

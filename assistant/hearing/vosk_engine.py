"""Vosk behind the recogniser's interface, for languages and machines where a Vosk model is installed.

The model is a folder on this machine; nothing is ever fetched. Two things Vosk does not do by itself are done
here: a grammar word that the model does not know is dropped by Vosk with a line on its log only, so the
vocabulary is checked (`missing_words`); and speech outside the grammar is forced into it, so the model's
[unk] word goes into every grammar, or, where the model has none, a second, unconstrained decode has to agree.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import UserError
from ..protocol.meanings import Heard, Outcome
from .recogniser import RATE, Samples

if TYPE_CHECKING:
    from ..grammar import Grammar, Parsed

UNKNOWN = "[unk]"
PHRASES = 2000  # of the grammar, likeliest first, given to Vosk as its language model

# Vosk's confidence of a word is a posterior in its lattice, often 1.0 for a wrong word: it can lower trust
# only.
SURE_WORD = 0.7  # a design choice; no source
LEAST_WORD = 0.3  # below this the words are no better than a guess


class VoskRecogniser:
    """A Vosk model. Raises UserError if the library or the folder cannot be used."""

    name = "vosk"

    def __init__(self, folder: Path) -> None:
        try:
            import vosk
        except (ImportError, OSError) as error:
            raise UserError(f"Vosk cannot start: {error}. Fix: pip install vosk") from None
        if not (folder / "am").is_dir() and not (folder / "final.mdl").is_file():
            raise UserError(f"{folder} is no Vosk model. Fix: give the folder that holds am/ and conf/")
        vosk.SetLogLevel(-1)
        try:
            self._model: Any = vosk.Model(str(folder))
        except Exception as error:  # the library raises bare Exception
            raise UserError(f"the Vosk model in {folder} cannot be used: {error}") from None
        self.model = folder.resolve().name
        self._recogniser: Any = vosk.KaldiRecognizer
        self._ready: dict[Grammar, Any] = {}
        self._free: Any = None
        self.has_unknown = self.knows(UNKNOWN)

    def knows(self, word: str) -> bool:
        """Whether the model can hear a word at all."""
        return int(self._model.vosk_model_find_word(word)) >= 0

    def missing_words(self, grammar: Grammar) -> tuple[str, ...]:
        """The grammar's words that this model cannot hear, in order. `Grammars.files_with` names their files."""
        return tuple(sorted(word for word in grammar.words() if not self.knows(word)))

    def hear(self, audio: Samples, grammar: Grammar) -> Heard:
        """The meaning of one utterance; see `Recogniser`. `score` is the log of the least sure word's confidence."""
        pcm = (np.clip(audio, -1.0, 1.0) * 32767).astype("<i2").tobytes()
        words = _decode(self._constrained(grammar), pcm)
        text = " ".join(word for word, _ in words)
        if not words:
            return Heard("", Outcome.NOT_UNDERSTOOD if np.any(audio) else Outcome.SILENCE)
        least = min(confidence for _, confidence in words)
        score = round(math.log(max(least, 1e-6)), 3)
        parsed = None if UNKNOWN in text else grammar.parse(text)
        if parsed is None or least < LEAST_WORD:
            return Heard(text, Outcome.NOT_UNDERSTOOD, score=score)
        sure = least >= SURE_WORD and (self.has_unknown or self._agrees(pcm, grammar, parsed))
        outcome = parsed.outcome if sure or parsed.outcome is not Outcome.HEARD else Outcome.DOUBTFUL
        return Heard(parsed.text, outcome, parsed.meaning, parsed.value, score=score, hedged=parsed.hedged)

    def _agrees(self, pcm: bytes, grammar: Grammar, parsed: Parsed) -> bool:
        if self._free is None:
            self._free = self._made()
        free = grammar.parse(" ".join(word for word, _ in _decode(self._free, pcm)))
        return free is not None and (free.meaning, free.value) == (parsed.meaning, parsed.value)

    def _made(self, *grammar: str) -> Any:
        recogniser = self._recogniser(self._model, RATE, *grammar)
        recogniser.SetWords(True)
        return recogniser

    def _constrained(self, grammar: Grammar) -> Any:
        """One recogniser for each grammar: switching between them is then free."""
        if grammar not in self._ready:
            known = [phrase for phrase in spoken_forms(grammar) if all(map(self.knows, phrase.split()))]
            if not known:
                raise UserError(f"the model {self.model} knows no phrase of the grammar {grammar.name}")
            words = known + ([UNKNOWN] if self.has_unknown else [])
            self._ready[grammar] = self._made(json.dumps(words, ensure_ascii=False))
        return self._ready[grammar]


def spoken_forms(grammar: Grammar) -> list[str]:
    """What a grammar's speakers can say, for Vosk's list: phrases, and for sentences with a number their
    parts.

    Vosk makes a language model of short word sequences out of the list, so a sentence is covered by its
    parts.
    """
    found: dict[str, None] = {phrase.text: None for phrase in grammar.phrases(PHRASES)}
    ranges = {}
    for template in grammar.templates():
        if template.closed:
            continue
        words = ""
        for part in template.parts:
            if isinstance(part, str):
                words = f"{words} {part}".strip()
            else:
                ranges[repr(part)] = part
                if words:
                    found[words] = None
                words = ""
        if words:
            found[words] = None
    for part in ranges.values():
        if hasattr(part, "forms"):
            found.update((words, None) for words, _ in part.forms())
    return list(found)


def _decode(recogniser: Any, pcm: bytes) -> list[tuple[str, float]]:
    """Words with their confidences."""
    recogniser.Reset()
    recogniser.AcceptWaveform(pcm)
    result = json.loads(recogniser.FinalResult())
    return [(word["word"], float(word["conf"])) for word in result.get("result", [])]

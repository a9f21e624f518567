"""The model and its tokens: sound to frames, frames to likelihoods of words. It knows no grammar and decides nothing.

Likelihoods are natural logarithms (nats), given that something is written at all, the end of the text included.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import UserError
from .logmel import FRAMES_A_SECOND, laid, log_mel
from .recogniser import RATE, Samples
from .scorer import Scorer, Tokens

# The encoder is given the utterance and this much silence after it. Less makes the model repeat itself and
# spreads its likelihoods thin; more costs time and brings nothing.
SILENCE_AFTER = 2.0  # seconds
SHORTEST_CONTEXT = 4.0  # seconds

NO_SPEECH = ("[", "(", "*", "âĻª")  # what it writes for mere sounds: "[Music]", or a note (in its own letters)
MOST_TOKENS_A_SECOND = 5.0  # of speech: bounds a decode that has begun to repeat itself
NEARLY_AS_LIKELY = 4.0  # nats
LEAST_TOKENS_A_SECOND = 1.5  # of speech: fewer do not account for it

Frames = NDArray[np.float32]


def missing(error: ImportError) -> UserError:
    return UserError(f"the embedded recogniser cannot start: {error}. Fix: pip install handsfree-refraction")


@dataclass(frozen=True)
class Writing:
    """What the model writes by itself.

    endings  nats: each of its beginnings, ended there
    logp     nats: of the best ending, `text`
    first    log-probabilities of the first token
    tokens   of `text`
    others   at each of them, tokens nearly as likely
    """

    text: str
    endings: dict[Tokens, float]
    logp: float
    first: NDArray[np.float64]
    tokens: Tokens
    others: tuple[tuple[int, ...], ...]


class Decoder:
    """A Whisper model through CTranslate2. Raises UserError when the folder or a library cannot be used.

    folder   a CTranslate2 Whisper model (model.bin, tokenizer.json)
    threads  of the processor; None for all cores, at most 4 (a small model gains nothing beyond)
    small    its weights are floats, and few: given texts are scored by `Scorer`
    """

    def __init__(self, folder: Path, threads: int | None = None, small: bool = False) -> None:
        try:
            import ctranslate2
            from tokenizers import Tokenizer
        except ImportError as error:
            raise missing(error) from None
        threads = threads or min(os.cpu_count() or 1, 4)
        self._views: Any = ctranslate2.StorageView
        try:
            self._model: Any = ctranslate2.models.Whisper(
                str(folder), device="cpu", compute_type="int8_float32", intra_threads=threads, inter_threads=1
            )
            self._tokenizer: Any = Tokenizer.from_file(str(folder / "tokenizer.json"))
        except Exception as error:  # both libraries raise bare RuntimeError, ValueError or Exception
            raise UserError(
                f"the model in {folder} cannot be used: {error}. Fix: give a CTranslate2 Whisper model"
            ) from None
        self._bands = int(getattr(self._model, "n_mels", 80))
        spoken = ["<|en|>", "<|transcribe|>"] if self._model.is_multilingual else []
        self._start = [self._token(name) for name in ("<|startoftranscript|>", *spoken, "<|notimestamps|>")]
        self._before = self._token("<|startofprev|>")
        self.end = self._token("<|endoftext|>")
        self._no_speech = [
            token for text, token in self._tokenizer.get_vocab().items() if text.lstrip("Ġ").startswith(NO_SPEECH)
        ]
        self._scorer = Scorer(folder / "model.bin", self.end, self._no_speech) if small else None
        self.encode(np.zeros(RATE // 2, np.float32), 0.0)  # the first pass allocates: not on the patient's time

    # --- tokens ---

    def _token(self, text: str) -> int:
        token = self._tokenizer.token_to_id(text)
        if token is None:
            raise UserError(f"the model's tokenizer.json has no {text}. Fix: give a CTranslate2 Whisper model")
        return int(token)

    def tokens(self, text: str) -> Tokens:
        """A text as the model writes it; a word begins with its space."""
        return tuple(self._tokenizer.encode(text, add_special_tokens=False).ids)

    def text(self, tokens: Sequence[int]) -> str:
        return str(self._tokenizer.decode(list(tokens))).strip()

    def others(self, pieces: Iterable[str], within: bool = True) -> list[int]:
        """Every token that these pieces are not written with, after a space or `within` a word, too; not the end."""
        used = {self.end}
        for text in pieces:
            used.update(self.tokens(" " + text))
            if within:
                used.update(self.tokens(text))
        return [token for token in range(self._tokenizer.get_vocab_size()) if token not in used]

    # --- the model ---

    def encode(self, audio: Samples, lead: float) -> Frames:
        """The encoder's frames, (1, frames, width), 50 a second, of a sound after `lead` seconds of silence."""
        before = int(lead * RATE)
        seconds = max(SHORTEST_CONTEXT, (before + len(audio)) / RATE + SILENCE_AFTER)
        frames = int(seconds * FRAMES_A_SECOND)
        frames += frames % 2  # the encoder halves the frame rate
        features = log_mel(laid(audio, before, frames * RATE // FRAMES_A_SECOND), self._bands)[None]
        return np.asarray(self._model.encode(self._views.from_array(np.ascontiguousarray(features))))

    def generate(
        self, frames: Frames, prefixes: Sequence[Tokens], steps: int, context: Tokens = (), **options: Any
    ) -> Any:
        """Each of `prefixes` written, and on, `steps` tokens in all.

        context  what was written just before this sound; it has the model expect more of its kind
        """
        batch = self._views.from_array(np.ascontiguousarray(np.repeat(frames, len(prefixes), axis=0)))
        start = self._after(context)
        settings = {"beam_size": 1, "suppress_blank": False, "suppress_tokens": self._no_speech, **options}
        # CTranslate2 counts the start, too, and allows half of the length for what comes after it
        length = max(2 * steps, len(start) + steps)
        return self._model.generate(batch, [start + list(prefix) for prefix in prefixes], max_length=length, **settings)

    def _after(self, context: Tokens) -> list[int]:
        return [self._before, *context, *self._start] if context else self._start

    def write(self, frames: Frames, speech: float, context: Tokens = ()) -> Writing:
        """What the model writes when it may write any words, and the likelihood of ending it at each place.

        A decode that repeats itself ("1 1 1 1") is taken to end at its likeliest place, so that it cannot
        look less likely than it is; but not before the words fill the time: `speech`, in seconds.
        """
        result = self.generate(frames, [()], most_tokens(speech), context, return_logits_vocab=True)[0]
        tokens = tuple(int(token) for token in result.sequences_ids[0])
        first = np.asarray(result.logits[0][0], np.float64)
        first = first - log_sum(first)
        endings: dict[Tokens, float] = {}
        others: list[tuple[int, ...]] = []
        total = 0.0
        for step, logits in enumerate(result.logits[0]):
            values = np.asarray(logits)
            every = log_sum(values)
            endings[tokens[:step]] = total + float(values[self.end]) - every
            if step < len(tokens):
                total += float(values[tokens[step]]) - every
                near = np.flatnonzero(values > values[tokens[step]] - NEARLY_AS_LIKELY)
                others.append(tuple(int(token) for token in near if token not in (tokens[step], self.end)))
        least = min(len(tokens), 1 + int(LEAST_TOKENS_A_SECOND * max(0.0, speech)))
        best = max((kept for kept in endings if len(kept) >= least), key=lambda kept: endings[kept])
        return Writing(self.text(best), endings, endings[best], first, best, tuple(others[: len(best)]))

    def score(self, frames: Frames, leaves: Sequence[Tokens], context: Tokens = ()) -> dict[Tokens, float]:
        """Log-probability of each leaf, ended there, and of each of its beginnings but the empty one, ended there."""
        scored: dict[Tokens, float] = {}
        if not leaves:
            return scored
        if self._scorer is not None:
            return self._scorer(frames, leaves, self._after(context))
        results = self.generate(frames, leaves, max(map(len, leaves)) + 1, context, return_logits_vocab=True)
        for leaf, result in zip(leaves, results, strict=True):
            total = 0.0
            for step in range(len(leaf) + 1):
                values = np.asarray(result.logits[0][step])
                every = log_sum(values)
                scored[leaf[:step]] = total + float(values[self.end]) - every
                if step < len(leaf):
                    total += float(values[leaf[step]]) - every
        scored.pop((), None)
        return scored


def most_tokens(speech: float) -> int:
    """Tokens that so many seconds of speech can take, their end included."""
    return 3 + int(MOST_TOKENS_A_SECOND * speech)


def log_sum(logits: NDArray[np.floating[Any]]) -> float:
    """Logarithm of the summed likelihoods."""
    most = logits.max()
    return float(most + np.log(np.exp(logits - most).sum()))

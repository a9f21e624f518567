"""A second listener for the words of spoken numbers, on what the recogniser's encoder made of the sound.

The decoder of a small model writes what sentences usually say: "ceiling that minus" for "cylinder minus", "to" for
"two", and it seldom tells "oh" from "one". This listener knows no sentences and only the words that commands with
numbers are made of, and one sign for all others. It is a small convolutional network over the encoder's frames,
trained by connectionist temporal classification (A. Graves et al., ICML 2006), whose likelihoods add up over every way
to lay the words along the sound. It costs a few milliseconds, as the encoder has run anyway.

The weights were trained by `tests/hearing/word_training.py` on synthetic voices, none of them a voice that
`bench hearing` measures with; they hold for one model.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

WEIGHTS: Final = Path(__file__).with_name("word_listener.npz")
ENCODED_A_SECOND: Final = 50  # of the encoder's frames; the network looks at two together
AFTER: Final = 5  # frames looked at beyond the sound: the encoder smears a last word over them
BLANK, OTHER = 0, 1  # no word here, and any word that is none of these
BEAM = 6
LIKELY = 1e-3  # of a word in one frame, to be followed up

_Beams = dict[tuple[int, ...], tuple[float, float]]  # beginnings, likelihoods of ending in a blank and in their word
Chances = NDArray[np.float32]  # (frames, words): log-probabilities, the blank and other words first


class WordListener:
    """The network, for the encoder it was trained on. `model`: the SHA-256 of that model's weights."""

    def __init__(self, path: Path = WEIGHTS) -> None:
        with np.load(path) as kept:
            self.model = str(kept["model"])
            self._words: list[str] = [str(word) for word in kept["words"]]
            layers = {name: kept[name].astype(np.float32) for name in kept.files if name not in ("model", "words")}
        self._index = {word: at for at, word in enumerate(self._words, OTHER + 1)}
        self._first = layers["first"] / layers["spread"][:, None]
        self._first_bias = layers["first_bias"] - (layers["mean"] / layers["spread"]) @ layers["first"]
        self._middle = [(layers[f"middle_{n}"], layers[f"middle_{n}_bias"]) for n in (1, 2)]
        self._last, self._last_bias = layers["last"], layers["last_bias"]

    def listen(self, encoded: NDArray[np.float32], lead: float, seconds: float) -> Chances:
        """Which word each stretch of the sound may be part of.

        encoded  the encoder's frames, (frames, width)
        lead     seconds of silence before the sound, which lasts `seconds`
        """
        end = int((lead + seconds) * ENCODED_A_SECOND) + AFTER
        frames = encoded[: end - end % 2]
        pairs = frames[: len(frames) - len(frames) % 2].reshape(len(frames) // 2, -1)
        hidden = np.maximum(pairs @ self._first + self._first_bias, 0.0)
        for weights, bias in self._middle:
            hidden = hidden + np.maximum(_along(hidden, weights) + bias, 0.0)
        values = hidden @ self._last + self._last_bias
        most = values.max(axis=1, keepdims=True)
        return np.asarray(values - most - np.log(np.exp(values - most).sum(axis=1, keepdims=True)), np.float32)

    def labels(self, text: str) -> tuple[int, ...]:
        """The words of a normalised text as the network knows them."""
        return labels_of(text, self._index)

    def score(self, chances: Chances, texts: Sequence[str]) -> list[float]:
        """Log-likelihood (nats) of each normalised text, over every way to lay its words along the sound."""
        if not texts:
            return []
        labels = [self.labels(text) for text in texts]
        width = 2 * max(map(len, labels)) + 1
        states = np.zeros((len(labels), width), np.intp)  # blank, word, blank, word ... blank
        skips = np.zeros((len(labels), width), bool)  # where the blank between two words may be left out
        ends = np.array([2 * len(each) for each in labels])
        for row, each in enumerate(labels):
            states[row, 1 : 2 * len(each) : 2] = each
            skips[row, 3 : 2 * len(each) : 2] = [a != b for a, b in pairwise(each)]
        never = np.float32(-1e30)
        every = np.arange(len(labels))
        paths = np.full((len(labels), width), never, np.float32)
        paths[:, 0] = chances[0, BLANK]
        if width > 1:
            paths[:, 1] = chances[0][states[:, 1]]
        for now in chances[1:]:
            stay = paths
            step = np.concatenate([np.full((len(labels), 1), never, np.float32), paths[:, :-1]], axis=1)
            skip = np.concatenate([np.full((len(labels), 2), never, np.float32), paths[:, :-2]], axis=1)[:, :width]
            paths = np.logaddexp(np.logaddexp(stay, step), np.where(skips, skip, never)) + now[states]
        last = paths[every, ends]
        before = np.where(ends > 0, paths[every, np.maximum(ends - 1, 0)], never)
        return [float(value) for value in np.logaddexp(last, before)]

    def likeliest(self, chances: Chances) -> list[tuple[str | None, float]]:
        """The likeliest texts and their log-likelihoods (nats), the likeliest first; None where other words are in it.

        A beam over beginnings (A. Graves & N. Jaitly, ICML 2014; reference from memory).
        """
        beams: _Beams = {(): (0.0, -np.inf)}
        for now in chances:
            grown: _Beams = {}
            likely = [int(label) for label in np.flatnonzero(now > np.log(LIKELY)) if label != BLANK]
            for begun, (blank, word) in beams.items():
                total = float(np.logaddexp(blank, word))
                _add(grown, begun, total + float(now[BLANK]), word + float(now[begun[-1]]) if begun else -np.inf)
                for label in likely:
                    before = blank if begun[-1:] == (label,) else total
                    _add(grown, (*begun, label), -np.inf, before + float(now[label]))
            beams = dict(sorted(grown.items(), key=lambda one: -np.logaddexp(*one[1]))[:BEAM])
        return [(self._text(begun), float(np.logaddexp(*likely))) for begun, likely in beams.items()]

    def _text(self, labels: tuple[int, ...]) -> str | None:
        return None if OTHER in labels else " ".join(self._words[label - OTHER - 1] for label in labels)


def labels_of(text: str, index: Mapping[str, int]) -> tuple[int, ...]:
    """The words of a normalised text by an index of them; those that are not in it, in a row, are one other word."""
    labels: list[int] = []
    for word in text.split():
        label = index.get(word, OTHER)
        if label != OTHER or labels[-1:] != [OTHER]:
            labels.append(label)
    return tuple(labels)


class Listened:
    """One utterance, as the listener heard it.

    written  the likeliest texts of words it knows, the likeliest first
    sure     the first of them, if no text with other words is likelier
    """

    def __init__(self, listener: WordListener, encoded: NDArray[np.float32], lead: float, seconds: float) -> None:
        self._listener = listener
        self._chances = listener.listen(encoded, lead, seconds)
        likeliest = listener.likeliest(self._chances)
        self._best = likeliest[0][1]
        self.written = [text for text, _ in likeliest if text]
        self.sure = likeliest[0][0] or None

    def behind(self, texts: Sequence[str]) -> list[float]:
        """Nats by which each normalised text is less likely than the likeliest of any words; never above 0."""
        return [min(0.0, score - self._best) for score in self._listener.score(self._chances, texts)]


def _add(beams: _Beams, begun: tuple[int, ...], blank: float, word: float) -> None:
    had = beams.get(begun, (-np.inf, -np.inf))
    beams[begun] = float(np.logaddexp(had[0], blank)), float(np.logaddexp(had[1], word))


def _along(hidden: NDArray[np.float32], weights: NDArray[np.float32]) -> NDArray[np.float32]:
    """A convolution along the frames, silence beyond both ends: weights (steps, width, width)."""
    steps = len(weights)
    padded = np.pad(hidden, ((steps // 2, steps // 2), (0, 0)))
    return np.asarray(sum(padded[at : at + len(hidden)] @ weights[at] for at in range(steps)), np.float32)

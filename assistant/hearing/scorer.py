"""How likely given words are for a sound: the packaged model's decoder, all of them in one pass.

CTranslate2 works out what every layer needs of the sound anew for each text that it is to score, which takes most of
the time of a short answer. Here that is done once, and texts that begin alike share their beginnings: each token sees
those it follows (A. Vaswani et al., "Attention is all you need", 2017; A. Radford et al., "Robust Speech Recognition
via Large-Scale Weak Supervision", 2022). The weights are the model's own, in full precision.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np

from .layers import Values, attended, gelu, normal
from .model_file import weights

Tokens = tuple[int, ...]

WIDTH_OF_A_HEAD: Final = 64  # in every Whisper model


class Scorer:
    """The decoder of a CTranslate2 Whisper model whose weights are floats.

    path        model.bin
    end         the token that ends a text
    suppressed  tokens that are never written
    """

    def __init__(self, path: Path, end: int, suppressed: Sequence[int]) -> None:
        self._weights = weights(path, "decoder")
        self._end, self._suppressed = end, list(suppressed)
        self._words = self._weights["embeddings/weight"]
        self._heads = self._words.shape[1] // WIDTH_OF_A_HEAD
        self._layers = sum(name.endswith("ffn/linear_0/weight") for name in self._weights)
        self._known: tuple[Values, list[Values]] | None = None

    def __call__(self, frames: Values, leaves: Sequence[Tokens], start: Sequence[int]) -> dict[Tokens, float]:
        """Log-probability of each leaf after `start`, ended there, and of each of its beginnings but the empty one.

        frames  what the encoder made of the sound, (1, frames, width)
        """
        root = len(start) - 1
        tokens, parents = list(start), list(range(-1, root))
        places: dict[Tokens, int] = {(): root}
        for leaf in leaves:
            for length in range(1, len(leaf) + 1):
                if leaf[:length] not in places:
                    parents.append(places[leaf[: length - 1]])
                    tokens.append(leaf[length - 1])
                    places[leaf[:length]] = len(tokens) - 1
        logits = self._logits(frames, tokens, parents, root)
        most = logits.max(axis=1)
        every = most + np.log(np.exp(logits - most[:, None]).sum(axis=1))
        reached: dict[Tokens, float] = {(): 0.0}
        scored: dict[Tokens, float] = {}
        for prefix, place in places.items():  # each after its beginnings
            if prefix:
                before = places[prefix[:-1]] - root
                reached[prefix] = reached[prefix[:-1]] + float(logits[before, prefix[-1]] - every[before])
                scored[prefix] = reached[prefix] + float(logits[place - root, self._end] - every[place - root])
        return scored

    def _logits(self, frames: Values, tokens: list[int], parents: list[int], first: int) -> Values:
        """How likely each token is after each of `tokens` from the `first` on, (tokens, vocabulary), unnormalised.

        parents  of each token the place of the one before it, -1 for none
        """
        seen = np.eye(len(tokens), dtype=bool)
        for place, parent in enumerate(parents):
            if parent >= 0:
                seen[place] |= seen[parent]
        places = seen.sum(axis=1) - 1
        values = self._words[tokens] + self._weights["position_encodings/encodings"][places]
        for layer, heard in enumerate(self._heard(frames)):
            name = f"layer_{layer}"
            mixed = self._linear(f"{name}/self_attention/linear_0", self._normal(f"{name}/self_attention", values))
            query, key, value = np.split(mixed, 3, axis=1)
            read = attended(query, key, value, self._heads, ~seen)
            values = values + self._linear(f"{name}/self_attention/linear_1", read)
            query = self._linear(f"{name}/attention/linear_0", self._normal(f"{name}/attention", values))
            key, value = np.split(heard, 2, axis=1)
            listened = attended(query, key, value, self._heads)
            values = values + self._linear(f"{name}/attention/linear_2", listened)
            within = gelu(self._linear(f"{name}/ffn/linear_0", self._normal(f"{name}/ffn", values)))
            values = values + self._linear(f"{name}/ffn/linear_1", within)
        logits = self._normal("", values[first:]) @ self._words.T
        logits[:, self._suppressed] = -np.inf
        return np.asarray(logits)

    def _heard(self, frames: Values) -> list[Values]:
        """What each layer needs of the sound: keys and values, side by side. The last sound's are kept."""
        if self._known is None or self._known[0] is not frames:
            layers = range(self._layers)
            self._known = frames, [self._linear(f"layer_{layer}/attention/linear_1", frames[0]) for layer in layers]
        return self._known[1]

    def _linear(self, name: str, values: Values) -> Values:
        return np.asarray(values @ self._weights[f"{name}/weight"].T + self._weights[f"{name}/bias"])

    def _normal(self, name: str, values: Values) -> Values:
        name = f"{name}/layer_norm".removeprefix("/")
        return normal(values, self._weights[f"{name}/gamma"], self._weights[f"{name}/beta"])

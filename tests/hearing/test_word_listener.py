"""The listener for the words of spoken numbers: its sums, and that it knows voices it was not trained on."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pytest

from assistant.grammar import Grammars
from assistant.hearing.sentences import Sentences
from assistant.hearing.whisper import PACKAGED_SHA256
from assistant.hearing.word_listener import BLANK, OTHER, WEIGHTS, WordListener

WORDS = ("one", "two")


def listener(path: Path) -> WordListener:
    """Of two words, with weights drawn at random, for an encoder of width 3."""
    rng = np.random.default_rng(5)
    width = 4
    np.savez(
        path,
        first=rng.standard_normal((6, width)),
        first_bias=rng.standard_normal(width),
        middle_1=rng.standard_normal((3, width, width)),
        middle_1_bias=rng.standard_normal(width),
        middle_2=rng.standard_normal((3, width, width)),
        middle_2_bias=rng.standard_normal(width),
        last=rng.standard_normal((width, OTHER + 1 + len(WORDS))),
        last_bias=np.zeros(OTHER + 1 + len(WORDS)),
        mean=np.ones(6),
        spread=np.full(6, 2.0),
        words=np.array(WORDS),
        model="none",
    )
    return WordListener(path)


def laid_along(frames: int, labels: int) -> dict[tuple[int, ...], list[tuple[int, ...]]]:
    """Every way to lay labels along frames, by what it spells: repeats are one, then blanks are left out."""
    ways: dict[tuple[int, ...], list[tuple[int, ...]]] = {}
    for way in itertools.product(range(labels), repeat=frames):
        spelt = tuple(label for label, _ in itertools.groupby(way) if label != BLANK)
        ways.setdefault(spelt, []).append(way)
    return ways


def test_the_likelihood_of_a_text_is_the_sum_over_every_way_to_lay_it_along_the_sound(tmp_path: Path) -> None:
    words = listener(tmp_path / "weights.npz")
    chances = words.listen(np.random.default_rng(6).standard_normal((10, 3)).astype(np.float32), 0.0, 0.1)
    assert np.exp(chances).sum(axis=1) == pytest.approx(np.ones(5), abs=1e-5)
    likely = {
        spelt: sum(math.exp(sum(chances[at, label] for at, label in enumerate(way))) for way in ways)
        for spelt, ways in laid_along(len(chances), OTHER + 1 + len(WORDS)).items()
    }
    texts = ["", "one", "two two", "one two one", "maybe", "maybe later one"]
    expected = [math.log(likely[words.labels(text)]) for text in texts]
    assert words.score(chances, texts) == pytest.approx(expected, abs=1e-4)
    best = max((spelt for spelt in likely if spelt and OTHER not in spelt), key=lambda spelt: likely[spelt])
    text, likelihood = next(found for found in words.likeliest(chances) if found[0])
    assert text is not None and words.labels(text) == best
    assert likelihood == pytest.approx(words.score(chances, [text])[0], abs=1e-4)


def test_what_lies_before_or_far_after_the_sound_is_not_looked_at_beyond_what_it_needs(tmp_path: Path) -> None:
    words = listener(tmp_path / "weights.npz")
    frames = np.random.default_rng(7).standard_normal((60, 3)).astype(np.float32)
    changed = frames.copy()
    changed[40:] += 5.0  # the sound ends at 0.6 s, frame 30
    assert np.array_equal(words.listen(frames, 0.2, 0.4), words.listen(changed, 0.2, 0.4))


def test_words_it_does_not_know_are_one_sign(tmp_path: Path) -> None:
    words = listener(tmp_path / "weights.npz")
    assert words.labels("well now two it is") == (OTHER, OTHER + 2, OTHER)


def test_it_belongs_to_the_packaged_model_and_knows_the_words_of_the_grammar(grammars: Grammars) -> None:
    words = WordListener(WEIGHTS)
    assert words.model == PACKAGED_SHA256["model.bin"]
    for name in ("command", "command_plus"):
        known = Sentences.of(grammars.get(name)).words
        assert known and all(OTHER not in words.labels(word) for word in known)

"""Trains the listener for the words of spoken numbers (`assistant/hearing/word_listener.py`).

    python tests/hearing/word_training.py FOLDER --sounds 3500 --part 1
    python tests/hearing/word_training.py FOLDER --sounds 3500 --part 2
    python tests/hearing/word_training.py FOLDER --train

The first two make sounds and keep what the embedded model's encoder makes of them in FOLDER; they may run at the same
time. Commands with numbers, the words of such commands in any order, answers and other words are spoken by synthetic
voices at several speeds; half of them are made worse (another speed, telephone band, a ringing room, white noise). No
voice that `bench hearing --commands` measures with is among them. The third trains, and says how many of the sentences
kept aside are read right word for word. Needs the extra `training`, espeak-ng and flite; each takes about ten minutes
on a core.
"""

from __future__ import annotations

import argparse
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np
import optax

from assistant.commands.bench_hearing import ESPEAK_VOICES, say, sentences
from assistant.commands.hear import grammars
from assistant.grammar import LISTENING_FOR
from assistant.grammar.normalise import normalise
from assistant.grammar.numbers import Range
from assistant.hearing.audio import resample, spoken
from assistant.hearing.recogniser import RATE, Samples
from assistant.hearing.sentences import Sentences
from assistant.hearing.whisper import PACKAGED_SHA256, SILENCE_BEFORE, WhisperRecogniser
from assistant.hearing.word_listener import AFTER, ENCODED_A_SECOND, OTHER, WEIGHTS, labels_of
from assistant.protocol.meanings import Outcome
from assistant.speaking.engine import Pyttsx3Engine, VoiceError
from tests.hearing.training import LANGUAGES, OTHERS, VARIANTS, made_worse

SEED = 1000
OWN_FLITE = ["flite kal"] * 12  # the one that the bench does not use, as often as twelve others
WORDS_A_MINUTE = (115, 195)
LONGEST = 400  # frames of the encoder
ASIDE = 300  # sentences that are not trained on
WIDTH = 128
STEPS = 5  # pairs of frames that a convolution takes in
EPOCHS = 14
BATCH = 32
MOST_WORDS = 24
LENGTHS = (48, 64, 80, 100, 130, 170, 205)  # pairs of frames: batches are filled up to one of them
FASTEST = 2e-3  # learning rate

Example = tuple[np.ndarray, list[int]]  # pairs of frames (pairs, width), words


def voices() -> list[str]:
    every = [f"{language}{variant}" for language in LANGUAGES for variant in VARIANTS]
    return [f"espeak {name}" for name in every if name not in ESPEAK_VOICES] + OWN_FLITE


def texts(rng: random.Random) -> Iterator[str]:
    """What is said, without end."""
    linked = grammars()
    words = sorted(Sentences.of(linked.union(*LISTENING_FOR["command"])).words)
    answers = [parsed.text for parsed in linked.union(*LISTENING_FOR["choice"]).phrases(300)]
    numbered = [
        (template, part)
        for template in linked.get("command").templates()
        if template.outcome is Outcome.HEARD
        for part in template.parts
        if isinstance(part, Range)
    ]
    while True:
        chance = rng.random()
        if chance < 0.6:
            yield rng.choice([text for text, _, _ in sentences(linked, 6, rng)])
        elif chance < 0.8:
            template, number = rng.choice(numbered)
            said = rng.choice(number.kind.say(rng.choice(list(number.values()))))
            yield " ".join(part if isinstance(part, str) else said for part in template.parts)
        elif chance < 0.9:
            yield " ".join(rng.choice(words) for _ in range(rng.randint(2, 6)))
        elif chance < 0.95:
            yield rng.choice(answers)
        else:
            yield " ".join(rng.choice(OTHERS.split() + words) for _ in range(rng.randint(1, 5)))


def made(count: int, part: int) -> Iterator[tuple[np.ndarray, str]]:
    """The encoder's frames of a sound, and what is said in it."""
    rng, chance = np.random.default_rng(SEED + part), random.Random(SEED + part)
    recogniser = WhisperRecogniser(threads=1)
    said = texts(chance)
    every = voices()
    while count:
        text = next(said)
        audio = _spoken(text, chance.choice(every), chance.randint(*WORDS_A_MINUTE))
        if audio is None:
            continue
        sound = spoken(_in_a_room(audio, chance, rng))
        if sound is None:
            continue
        end = int((SILENCE_BEFORE + len(sound) / RATE) * ENCODED_A_SECOND) + AFTER
        frames = recogniser.encoded(sound)[: end - end % 2]
        if len(frames) <= LONGEST:
            count -= 1
            yield frames.astype(np.float16), normalise(text)


def _spoken(text: str, voice: str, words_a_minute: int) -> Samples | None:
    """None if the voice is not on this machine; only those of eSpeak NG have a speed."""
    if not voice.startswith("espeak "):
        return say(text, voice)
    try:
        return resample(*Pyttsx3Engine(voice.split()[1], words_a_minute).synthesize(text))
    except VoiceError:
        return None


def _in_a_room(audio: Samples, chance: random.Random, rng: np.random.Generator) -> Samples:
    if chance.random() < 0.6:
        audio = made_worse(audio, rng)
    quiet = np.zeros(RATE // 2, np.float32)
    audio = np.concatenate([quiet, audio, quiet])
    if chance.random() < 0.5:
        level = float(np.sqrt(np.mean(np.square(audio[audio != 0])))) * 10 ** (-chance.uniform(8, 35) / 20)
        audio = audio + rng.standard_normal(len(audio)) * level
    return audio.astype(np.float32)


def keep(folder: Path, count: int, part: int) -> None:
    frames, said = zip(*made(count, part), strict=True)
    lengths = np.array([len(each) for each in frames])
    np.savez(folder / f"part{part}.npz", lengths=lengths, frames=np.concatenate(frames), texts=np.array(said))


def kept(folder: Path, words: list[str]) -> list[Example]:
    index = {word: at for at, word in enumerate(words, OTHER + 1)}
    examples: list[Example] = []
    for path in sorted(folder.glob("part*.npz")):
        with np.load(path) as part:
            ends, lengths, frames, said = part["lengths"].cumsum(), part["lengths"], part["frames"], part["texts"]
        for end, length, text in zip(ends, lengths, said, strict=True):
            labels = labels_of(str(text), index)
            whole = frames[end - length : end - length % 2]
            examples.append((whole.reshape(len(whole) // 2, -1), list(labels)))
    return examples


def batches(
    examples: list[Example], mean: np.ndarray, spread: np.ndarray, rng: np.random.Generator
) -> list[tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]]:
    """Frames and where they end, words and where they end: 1 stands beyond an end."""
    groups: dict[int, list[Example]] = {}
    for index in rng.permutation(len(examples)):
        pairs, labels = examples[index]
        length = next((length for length in LENGTHS if len(pairs) <= length), None)
        if length is not None and len(labels) <= MOST_WORDS:
            groups.setdefault(length, []).append(examples[index])
    found = []
    for length, group in groups.items():
        for begin in range(0, len(group), BATCH):
            some = [group[(begin + offset) % len(group)] for offset in range(BATCH)]
            sounds = np.zeros((BATCH, length, len(mean)), np.float32)
            words = np.zeros((BATCH, MOST_WORDS), np.int32)
            silent, unsaid = np.ones((BATCH, length), np.float32), np.ones((BATCH, MOST_WORDS), np.float32)
            for row, (pairs, labels) in enumerate(some):
                sounds[row, : len(pairs)] = (pairs.astype(np.float32) - mean) / spread
                words[row, : len(labels)] = labels
                silent[row, : len(pairs)], unsaid[row, : len(labels)] = 0, 0
            found.append((sounds, silent, words, unsaid))
    return [found[index] for index in rng.permutation(len(found))]


def begun(key: Any, inputs: int, outputs: int) -> dict[str, Any]:
    keys = jax.random.split(key, 4)

    def drawn(at: int, *shape: int, scale: float = 1.0) -> Any:
        return scale * jax.random.normal(keys[at], shape) * np.sqrt(2 / np.prod(shape[:-1]))

    middle = {f"middle_{n}": drawn(n, STEPS, WIDTH, WIDTH) for n in (1, 2)}
    biases = {f"{name}_bias": jnp.zeros(WIDTH) for name in ("first", "middle_1", "middle_2")}
    ends = {"first": drawn(0, inputs, WIDTH, scale=0.7), "last": drawn(3, WIDTH, outputs, scale=0.5)}
    return {**ends, **middle, **biases, "last_bias": jnp.zeros(outputs).at[0].set(1.0)}


def forward(layers: dict[str, Any], sounds: Any, silent: Any, key: Any = None) -> Any:
    """Log-probabilities of the words at every pair of frames; with a key, parts are left out as in training."""
    said = (1 - silent)[..., None]
    keys = [None] * 4 if key is None else jax.random.split(key, 4)

    def some(values: Any, at: int) -> Any:
        return values if key is None else values * jax.random.bernoulli(keys[at], 0.85, values.shape) / 0.85

    if key is not None:
        sounds = sounds + 0.1 * jax.random.normal(keys[3], sounds.shape)
    hidden = jax.nn.relu(some(sounds, 0) * said @ layers["first"] + layers["first_bias"]) * said
    hidden = some(hidden, 1)
    for name in ("middle_1", "middle_2"):
        along = jax.lax.conv_general_dilated(
            hidden, layers[name], (1,), "SAME", dimension_numbers=("NWC", "WIO", "NWC")
        )
        hidden = (hidden + jax.nn.relu(along + layers[f"{name}_bias"])) * said
    return jax.nn.log_softmax(some(hidden, 2) @ layers["last"] + layers["last_bias"])


def train(folder: Path, out: Path) -> None:
    words = sorted(Sentences.of(grammars().union(*LISTENING_FOR["command"])).words)
    rng = np.random.default_rng(SEED)
    every = kept(folder, words)
    every = [every[index] for index in rng.permutation(len(every))]
    aside, examples = every[:ASIDE], every[ASIDE:]
    some = np.concatenate([pairs for pairs, _ in examples[:800]]).astype(np.float32)
    mean, spread = some.mean(axis=0), some.std(axis=0) + 1e-3
    layers = begun(jax.random.PRNGKey(0), len(mean), len(words) + OTHER + 1)
    steps = EPOCHS * len(batches(examples, mean, spread, rng))
    optimiser = optax.adamw(optax.cosine_onecycle_schedule(steps, FASTEST), weight_decay=1e-3)
    state = optimiser.init(layers)

    def loss(layers: Any, sounds: Any, silent: Any, said: Any, unsaid: Any, key: Any) -> Any:
        return optax.ctc_loss(forward(layers, sounds, silent, key), silent, said, unsaid).mean()

    @jax.jit
    def step(layers: Any, state: Any, batch: Any, key: Any) -> Any:
        value, slopes = jax.value_and_grad(loss)(layers, *batch, key)
        changes, state = optimiser.update(slopes, state, layers)
        return optax.apply_updates(layers, changes), state, value

    key = jax.random.PRNGKey(1)
    for epoch in range(EPOCHS):
        losses = []
        for batch in batches(examples, mean, spread, rng):
            key, now = jax.random.split(key)
            layers, state, value = step(layers, state, batch, now)
            losses.append(float(value))
        right = [read for batch in batches(aside, mean, spread, rng) for read in word_for_word(layers, batch)]
        print(f"{epoch}: {np.mean(losses):.3f}; {np.mean(right):.1%} of sentences kept aside read right", flush=True)
    trained = {name: np.asarray(values, np.float16) for name, values in layers.items()}
    np.savez_compressed(
        out,
        **trained,
        mean=mean,
        spread=spread,
        words=np.array(words),
        model=PACKAGED_SHA256["model.bin"],
    )
    print(f"{out.name}: {out.stat().st_size} bytes")


def word_for_word(layers: Any, batch: tuple[np.ndarray, ...]) -> Iterator[bool]:
    """Whether the likeliest word of each pair of frames, repeats taken as one, spells what was said."""
    sounds, silent, said, unsaid = batch
    likeliest = np.asarray(forward(layers, sounds, silent).argmax(-1))
    for row, labels in enumerate(likeliest):
        within = labels[silent[row] == 0]
        read = [int(label) for at, label in enumerate(within) if label and (not at or label != within[at - 1])]
        yield read == [int(label) for label in said[row][unsaid[row] == 0]]


def main() -> None:
    parser = argparse.ArgumentParser(description="Trains the listener for the words of spoken numbers.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--sounds", type=int, default=0, help="make so many")
    parser.add_argument("--part", type=int, default=1)
    parser.add_argument("--train", action="store_true")
    parser.add_argument("--out", type=Path, default=WEIGHTS)
    args = parser.parse_args()
    if args.sounds:
        keep(args.folder, args.sounds, args.part)
    if args.train:
        train(args.folder, args.out)


if __name__ == "__main__":
    main()

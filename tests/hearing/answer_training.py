"""Trains the listener for "one" and "two" (`assistant/hearing/answer_listener.py`) and says what it is worth.

    python tests/hearing/answer_training.py FOLDER --sounds CORPUS --part 1
    python tests/hearing/answer_training.py FOLDER --sounds CORPUS --part 2
    python tests/hearing/answer_training.py FOLDER --train --without fsdd an4
    python tests/hearing/answer_training.py FOLDER --train

The first two make sounds and keep their features in FOLDER: the examples of `training.py`, people's recordings and
synthetic voices made worse in known ways, people's several times over. The third trains on all but some groups of
recordings and says what those are heard as; the last trains on all, and keeps the weights. On the way the upper bands
of some sounds are taken away: of a mumble, where nobody could tell the word, the network is taught that it is neither.
Needs the extra `training`, espeak-ng and flite; a part takes about ten minutes on a core, a training fifteen.
"""

from __future__ import annotations

import argparse
import pickle
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import torch
from torch import nn
from torch.nn import functional

from assistant.commands.bench_hearing import corpus
from assistant.hearing.acceptance import FIRST_WORD
from assistant.hearing.answer_listener import CONTEXT, HEADS, WEIGHTS, features, heard_frames
from assistant.hearing.audio import foreground
from assistant.hearing.conditions import speech_power
from assistant.hearing.logmel import WINDOW, filters
from assistant.hearing.recogniser import RATE
from assistant.hearing.second_opinion import ANSWERS, ENCODED_A_SECOND
from assistant.hearing.whisper import packaged_model
from tests.hearing.model_file import encoder_weights
from tests.hearing.training import OTHER, heard, mere_talk, recorded, synthetic

ROUNDS = {1: 2, 2: 3}  # how often a part takes people's recordings; the first has the synthetic voices
TALK = 60  # sounds of mere talk a round
SHARES = (0.3, 0.3, 0.4)  # of a batch: "one", "two", others
BATCH = 16
STEPS = 500
FASTEST = {"encoder": 1e-4, "head": 1e-3}  # learning rates
WARMING = 0.1  # of the steps
SMOOTHED = 0.05  # of the labels
MUMBLED, BAND_LIMITED = 0.12, 0.08  # shares of sounds
MUMBLED_ABOVE, LIMITED_ABOVE = (250.0, 850.0), (1200.0, 3400.0)  # Hz: from where on the bands are taken away
MASKED = 0.5  # share of sounds of which a few bands are blotted out
MASKED_MOST = 9
LAYERS = 4
BANDS = 80
NAMES = (*ANSWERS, OTHER)

Sound = tuple[np.ndarray, int, str, str]  # features, samples, label, group of recordings


def sounds(clips_at: Path, part: int) -> Iterator[Sound]:
    rng = np.random.default_rng(1000 + part)
    clips = corpus(clips_at)
    talkers = [clip.audio for clip in clips if clip.group in ("an4_other", "an4_numbers") and speech_power(clip.audio)]
    people = list(recorded(clips, rng))
    examples = [example for _ in range(ROUNDS[part]) for example in (*people, *mere_talk(talkers, rng, TALK))]
    for example in (*examples, *(synthetic(rng) if part == 1 else ())):
        for noise in example.noises:
            audio = heard(example.audio, noise, talkers, rng)
            if audio is not None and len(audio) >= RATE // 8:
                audio = foreground(audio) if len(audio) > FIRST_WORD * RATE else audio
                yield features(audio).astype(np.float16), len(audio), example.label, example.group


def start_weights() -> dict[str, torch.Tensor]:
    return {name: torch.tensor(values) for name, values in encoder_weights(packaged_model() / "model.bin").items()}


def linear(weights: dict[str, torch.Tensor], name: str) -> nn.Linear:
    weight = weights[f"{name}/weight"].flatten(1)
    made = nn.Linear(weight.shape[1], weight.shape[0])
    made.weight, made.bias = nn.Parameter(weight.clone()), nn.Parameter(weights[f"{name}/bias"].clone())
    return made


def normal(weights: dict[str, torch.Tensor], name: str) -> nn.LayerNorm:
    gamma, beta = weights[f"{name}/gamma"], weights[f"{name}/beta"]
    made = nn.LayerNorm(len(gamma))
    made.weight, made.bias = nn.Parameter(gamma.clone()), nn.Parameter(beta.clone())
    return made


class Network(nn.Module):
    """What `AnswerListener` does, to be trained; its parts have the names they are kept by."""

    def __init__(self) -> None:
        super().__init__()
        start = start_weights()
        self.parts = nn.ModuleDict({"conv1": linear(start, "conv1"), "conv2": linear(start, "conv2")})
        for layer in range(LAYERS):
            for name, was in (
                ("before", "self_attention/layer_norm"),
                ("between", "ffn/layer_norm"),
                ("in", "self_attention/linear_0"),
                ("out", "self_attention/linear_1"),
                ("up", "ffn/linear_0"),
                ("down", "ffn/linear_1"),
            ):
                make = normal if was.endswith("norm") else linear
                self.parts[f"{layer}_{name}"] = make(start, f"layer_{layer}/{was}")
        self.parts["after"] = normal(start, "layer_norm")
        self.positions = start["position_encodings/encodings"][: round(CONTEXT * ENCODED_A_SECOND)]
        width = self.positions.shape[1]
        self.head = nn.ModuleDict(
            {"attend": nn.Linear(width, 1), "pooled": nn.Linear(3 * width, 128), "decide": nn.Linear(128, len(NAMES))}
        )
        self.dropped = nn.Dropout(0.2)

    def forward(self, mel: torch.Tensor, within: torch.Tensor) -> torch.Tensor:
        """Scores (n, names) of features (n, frames, bands); `within` (n, frames / 2): which are of the sound."""
        part = self.parts
        values = functional.gelu(part["conv1"](three(mel)))
        values = functional.gelu(part["conv2"](three(values)[:, ::2])) + self.positions
        n, frames, width = values.shape
        for layer in range(LAYERS):
            mixed = part[f"{layer}_in"](part[f"{layer}_before"](values)).view(n, frames, 3, HEADS, -1)
            query, key, value = mixed.permute(2, 0, 3, 1, 4)
            attended = functional.scaled_dot_product_attention(query, key, value).transpose(1, 2)
            values = values + part[f"{layer}_out"](attended.reshape(n, frames, width))
            up = functional.gelu(part[f"{layer}_up"](part[f"{layer}_between"](values)))
            values = values + part[f"{layer}_down"](up)
        values = part["after"](values)
        outside = (~within)[:, :, None] * -1e4
        share = torch.softmax(self.head["attend"](values) + outside, 1)
        mean = (values * within[:, :, None]).sum(1) / within.sum(1, keepdim=True)
        pooled = torch.cat([(share * values).sum(1), mean, (values + outside).amax(1)], 1)
        hidden = functional.gelu(self.head["pooled"](self.dropped(pooled)))
        return self.head["decide"](self.dropped(hidden))


def three(values: torch.Tensor) -> torch.Tensor:
    """Each row with the one before and the one after it, flat as a convolution's weights are: (n, frames, 3 width)."""
    padded = functional.pad(values, (0, 0, 1, 1))
    return torch.stack((padded[:, :-2], padded[:, 1:-1], padded[:, 2:]), 3).flatten(2)


def batch(of: Sequence[Sound]) -> tuple[torch.Tensor, torch.Tensor]:
    mel = torch.tensor(np.array([sound[0] for sound in of]).astype(np.float32))
    within = torch.zeros(len(of), mel.shape[1] // 2, dtype=torch.bool)
    for row, sound in enumerate(of):
        within[row, heard_frames(sound[1])] = True
    return mel, within


def band(hertz: float) -> int:
    """The mel band that a frequency is in."""
    return int(filters(BANDS)[:, round(hertz * WINDOW / RATE)].argmax())


def made_harder(mel: torch.Tensor, labels: list[int], rng: np.random.Generator) -> None:
    """Bands taken away, in place; what has become a mumble is neither word."""
    for row in range(len(mel)):
        if rng.random() < MASKED:
            first = int(rng.integers(0, 70))
            mel[row, :, first : first + int(rng.integers(1, MASKED_MOST))] = mel[row].mean()
        chance = rng.random()
        if chance < MUMBLED:
            above, labels[row] = MUMBLED_ABOVE, len(ANSWERS)
        elif chance < MUMBLED + BAND_LIMITED:
            above = LIMITED_ABOVE
        else:
            continue
        first = band(float(np.exp(rng.uniform(*np.log(above)))))
        least, upper = mel[row].min(), mel[row, :, first:]
        room = least + float(rng.uniform(0, 0.35)) + 0.05 * torch.randn_like(upper)
        mel[row, :, first:] = torch.minimum(upper, room).clamp(min=least)


def trained(on: Sequence[Sound], seed: int = 1) -> Network:
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    network = Network()
    speeds = [{"params": network.parts.parameters()}, {"params": network.head.parameters()}]
    optimiser = torch.optim.AdamW(speeds, weight_decay=0.01)
    by_label = [[sound for sound in on if sound[2] == name] for name in NAMES]
    for step in range(STEPS):
        share = step / STEPS
        rate = min(1.0, share / WARMING) * (0.5 + 0.5 * np.cos(np.pi * share))
        for group, fastest in zip(optimiser.param_groups, FASTEST.values(), strict=True):
            group["lr"] = fastest * rate
        labels = [int(label) for label in rng.choice(len(NAMES), BATCH, p=SHARES)]
        mel, within = batch([by_label[label][rng.integers(len(by_label[label]))] for label in labels])
        made_harder(mel, labels, rng)
        loss = functional.cross_entropy(network(mel, within), torch.tensor(labels), label_smoothing=SMOOTHED)
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimiser.step()
        if not (step + 1) % 50:
            print(f"{step + 1} of {STEPS} steps, loss {loss.item():.2f}", flush=True)
    return network.eval()


def kept(network: Network, path: Path) -> None:
    """Matrices as whole numbers of eight bits, each row with its scale; the rest as it is."""
    found: dict[str, np.ndarray] = {"positions": network.positions.numpy().astype(np.float16)}
    for name, part in (*network.parts.items(), *network.head.items()):
        name = name.replace("_", ".")
        weight, bias = part.weight.detach().numpy(), part.bias.detach().numpy()
        if weight.ndim == 1:
            found[f"{name}.gamma"], found[f"{name}.beta"] = weight, bias
            continue
        scale = np.abs(weight).max(axis=1) / 127
        found[f"{name}.weight"] = np.round(weight / scale[:, None]).astype(np.int8)
        found[f"{name}.weight.scale"], found[f"{name}.bias"] = scale.astype(np.float32), bias
    np.savez_compressed(path, **found)
    print(f"{path.name}: {path.stat().st_size} bytes")


def told(network: Network, aside: Sequence[Sound]) -> None:
    """What sounds that were not trained on are heard as."""
    with torch.no_grad():
        rows = [network(*batch(aside[at : at + 32])).log_softmax(1) for at in range(0, len(aside), 32)]
    scores = torch.cat(rows).numpy()
    odds = scores[:, :2] - scores[:, 2:]
    labels = np.array([sound[2] for sound in aside])
    said = labels != OTHER
    right = np.array(ANSWERS)[odds.argmax(1)] == labels
    sure = odds.max(1) > 0
    found, swapped = (right & sure)[said].mean(), (~right & sure)[said].mean()
    print(f"of {said.sum()} answers: {found:.1%} right, {swapped:.1%} swapped")
    print(f"of {(~said).sum()} other sounds {sure[~said].mean():.1%} taken for one")


def main() -> None:
    parser = argparse.ArgumentParser(description="Trains the listener for one and two.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--sounds", metavar="CORPUS", type=Path)
    parser.add_argument("--part", type=int, choices=tuple(ROUNDS), default=1)
    parser.add_argument("--train", action="store_true")
    parser.add_argument("--without", nargs="*", default=[], help="groups of recordings to judge it by")
    parser.add_argument("--out", type=Path, default=WEIGHTS)
    args = parser.parse_args()
    if args.sounds is not None:
        args.folder.mkdir(parents=True, exist_ok=True)
        made = list(sounds(args.sounds, args.part))
        (args.folder / f"{args.part}.pickle").write_bytes(pickle.dumps(made))
        print(f"{len(made)} sounds")
    if args.train:
        every: list[Sound] = []
        for part in sorted(args.folder.glob("*.pickle")):
            every += pickle.loads(part.read_bytes())
        aside = [sound for sound in every if sound[3].startswith(tuple(args.without))]
        network = trained([sound for sound in every if not sound[3].startswith(tuple(args.without))])
        if aside:
            told(network, aside)
        else:
            kept(network, args.out)


if __name__ == "__main__":
    main()

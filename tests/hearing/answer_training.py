"""Trains the listener for "one" and "two" (`assistant/hearing/answer_listener.py`) and says what it is worth.

    python tests/hearing/answer_training.py FOLDER --sounds CORPUS --part 1
    python tests/hearing/answer_training.py FOLDER --sounds CORPUS --part 2
    python tests/hearing/answer_training.py FOLDER --train --apart 0 --out KEPT
    python tests/hearing/answer_training.py FOLDER --train --apart 1 --out KEPT  (and 2)
    python tests/hearing/answer_training.py FOLDER --train

The first two make sounds and keep their features in FOLDER: the examples of `training.py`, people's recordings and
synthetic voices made worse in known ways, people's several times over. The next three train without one third of the
people each, and say what those are heard as; the last trains on all. On the way the upper bands of some sounds are
taken away: of a mumble, where nobody could tell the word, the network is taught that it is neither.
Needs the extra `training`, espeak-ng and flite; a part takes about ten minutes on a core, a training half an hour.
"""

from __future__ import annotations

import argparse
import pickle
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import torch
from torch import nn
from torch.nn import functional

from assistant.commands.bench_hearing import Clip, corpus, say
from assistant.hearing.acceptance import FIRST_WORD
from assistant.hearing.answer_listener import HEADS, LONGEST, SILENCE, WEIGHTS, features, heard_frames
from assistant.hearing.audio import foreground
from assistant.hearing.conditions import speech_power
from assistant.hearing.logmel import WINDOW, filters
from assistant.hearing.model_file import weights
from assistant.hearing.recogniser import RATE
from assistant.hearing.second_opinion import ANSWERS, ENCODED_A_SECOND
from assistant.hearing.whisper import packaged_model
from tests.hearing.training import OTHER, PHRASES, Example, heard, loud, mere_talk, recorded, synthetic, voices

PARTS_OF_PEOPLE = 3
ROUNDS = {1: 2, 2: 3}  # how often a part takes people's recordings; the first has the synthetic voices
TALK = 60  # sounds of mere talk a round
JOINED = 120  # pairs of words a round
PHRASES_A_VOICE = 3
NOISES = ("quiet", "white", "babble", "babble")  # one of them for a sound that is no answer
SHARES = (0.3, 0.3, 0.4)  # of a batch: "one", "two", others
BATCH = 16
BATCHES_AT_ONCE = 4
STEPS = 1000
FASTEST = {"encoder": 1e-4, "head": 1e-3}  # learning rates
WARMING = 0.1  # of the steps
SMOOTHED = 0.05  # of the labels
MUMBLED, BAND_LIMITED = (0.35, 0.15, 0.15), 0.08  # shares of sounds, by label: a mumbled "one" is like a "two"
MUMBLED_ABOVE, LIMITED_ABOVE = (250.0, 850.0), (1200.0, 3400.0)  # Hz: from where on the bands are taken away
IN_A_ROOM, ROOM = 0.7, 0.15  # share of them; the quantile of a band that is its room
WARPED, TRACTS = 0.6, (0.84, 1.2)  # share of sounds; lengths of the vocal tract
COLOURED, COLOUR = 0.5, 0.05  # share of sounds; of each of four waves over the bands, in features' units (40 dB)
MASKED = 0.5  # share of sounds of which a few bands are blotted out
MASKED_MOST = 9
LAYERS = 4
BANDS = 80
NAMES = (*ANSWERS, OTHER)

Sound = tuple[np.ndarray, int, str, str]  # features, samples, label, speaker ("" for none of the people)


def joined(clips: Sequence[Clip], rng: np.random.Generator) -> Iterator[Example]:
    """A word and an answer by one person in one breath ("three one", "one two"): no answer."""
    words = [clip for clip in clips if clip.group in ("fsdd", "words")]
    answers = [clip for clip in words if clip.text in ANSWERS]
    for index in rng.permutation(len(answers))[:JOINED]:
        answer = answers[index]
        others = [clip for clip in words if clip.speaker == answer.speaker and clip.text != answer.text]
        if not others:
            continue
        pair = [clip.audio[loud(clip.audio)] for clip in (others[rng.integers(len(others))], answer)]
        if rng.random() < 0.4:
            pair.reverse()
        gap = np.zeros(int(rng.uniform(0, 0.08) * RATE), np.float32)
        audio, noise = np.concatenate([pair[0], gap, pair[1]]), str(rng.choice(NOISES))
        yield Example(audio, OTHER, (noise,), answer.group, answer.speaker)


def phrases(rng: np.random.Generator) -> Iterator[Example]:
    for voice in voices():
        for text in rng.choice(PHRASES.split(","), PHRASES_A_VOICE, replace=False):
            audio = say(str(text).strip(), voice)
            if audio is not None:
                yield Example(audio, OTHER, (str(rng.choice(NOISES)),), "synthetic")


def sounds(clips_at: Path, part: int) -> Iterator[Sound]:
    rng = np.random.default_rng(1000 + part)
    clips = corpus(clips_at)
    talkers = [clip.audio for clip in clips if clip.group in ("an4_other", "an4_numbers") and speech_power(clip.audio)]
    people = list(recorded(clips, rng))
    examples = [
        example
        for _ in range(ROUNDS[part])
        for example in (*people, *joined(clips, rng), *mere_talk(talkers, rng, TALK))
    ]
    for example in (*examples, *((*synthetic(rng), *phrases(rng)) if part == 1 else ())):
        for noise in example.noises:
            audio = heard(example.audio, noise, talkers, rng)
            if audio is not None and len(audio) >= RATE // 8:
                audio = foreground(audio) if len(audio) > FIRST_WORD * RATE else audio
                yield features(audio).astype(np.float16), len(audio), example.label, example.speaker


def dealt(every: Sequence[Sound], part: int) -> set[str]:
    """A third of the people, dealt in turn, who has most sounds first."""
    sounds = Counter(speaker for *_, speaker in every if speaker)
    return set(sorted(sounds, key=lambda speaker: (-sounds[speaker], speaker))[part::PARTS_OF_PEOPLE])


def start_weights() -> dict[str, torch.Tensor]:
    return {name: torch.tensor(values) for name, values in weights(packaged_model() / "model.bin", "encoder").items()}


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
        longest = round((LONGEST + 2 * SILENCE) * ENCODED_A_SECOND)
        self.positions = start["position_encodings/encodings"][:longest]
        width = self.positions.shape[1]
        self.head = nn.ModuleDict(
            {"attend": nn.Linear(width, 1), "pooled": nn.Linear(3 * width, 128), "decide": nn.Linear(128, len(NAMES))}
        )
        self.dropped = nn.Dropout(0.2)

    def forward(self, mel: torch.Tensor, within: torch.Tensor) -> torch.Tensor:
        """Scores (n, names) of features (n, frames, bands); `within` (n, frames / 2): which are of the sound."""
        part = self.parts
        values = functional.gelu(part["conv1"](three(mel)))
        values = functional.gelu(part["conv2"](three(values)[:, ::2]))
        values = values + self.positions[: values.shape[1]]
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
    """Features of sounds, each with silence after it until all are as long as the longest; see `Network.forward`."""
    longest = max(len(sound[0]) for sound in of)
    mel = torch.zeros(len(of), longest, BANDS)
    within = torch.zeros(len(of), longest // 2, dtype=torch.bool)
    for row, sound in enumerate(of):
        mel[row] = float(sound[0].min())
        mel[row, : len(sound[0])] = torch.tensor(sound[0].astype(np.float32))
        within[row, heard_frames(sound[1])] = True
    return mel, within


def band(hertz: float) -> int:
    """The mel band that a frequency is in."""
    return int(filters(BANDS)[:, round(hertz * WINDOW / RATE)].argmax())


def made_harder(mel: torch.Tensor, within: torch.Tensor, labels: list[int], rng: np.random.Generator) -> None:
    """Other vocal tracts and microphones, and bands taken away, in place; what has become a mumble is neither word."""
    for row in range(len(mel)):
        least = mel[row].min()
        if rng.random() < WARPED:
            mel[row] = warped(mel[row], float(np.exp(rng.uniform(*np.log(TRACTS)))))
        if rng.random() < COLOURED:
            waves = torch.cos(torch.pi * torch.arange(1, 5)[:, None] * (torch.arange(BANDS) + 0.5) / BANDS)
            colour = torch.tensor(rng.normal(0, COLOUR, 4), dtype=torch.float32) @ waves
            mel[row] = torch.where(mel[row] > least, (mel[row] + colour).clamp(min=least), least)
        if rng.random() < MASKED:
            first = int(rng.integers(0, 70))
            mel[row, :, first : first + int(rng.integers(1, MASKED_MOST))] = mel[row].mean()
        chance, mumbled = rng.random(), MUMBLED[labels[row]]
        if chance < mumbled:
            above, labels[row] = MUMBLED_ABOVE, len(ANSWERS)
        elif chance < mumbled + BAND_LIMITED:
            above = LIMITED_ABOVE
        else:
            continue
        first = band(float(np.exp(rng.uniform(*np.log(above)))))
        upper = mel[row, :, first:]
        # What is left there: next to nothing, or the room as it was before and after the word.
        heard = upper[within[row].repeat_interleave(2)]
        room = torch.quantile(heard, ROOM, dim=0) if rng.random() < IN_A_ROOM else least + float(rng.uniform(0, 0.35))
        mel[row, :, first:] = torch.minimum(upper, room + 0.05 * torch.randn_like(upper)).clamp(min=least)


def warped(mel: torch.Tensor, by: float) -> torch.Tensor:
    """The sound of a vocal tract `by` times as long: each band has what was in the one `by` times as high.

    N. Jaitly & G.E. Hinton, "Vocal tract length perturbation improves speech recognition", ICML 2013.
    """
    hertz = filters(BANDS) @ np.fft.rfftfreq(WINDOW, 1 / RATE) / filters(BANDS).sum(axis=1)
    place = torch.tensor(np.interp(by * hertz, hertz, np.arange(BANDS)), dtype=torch.float32)
    below = place.long().clamp(max=BANDS - 2)
    return torch.lerp(mel[:, below], mel[:, below + 1], place - below)


def trained(on: Sequence[Sound], seed: int = 1) -> Network:
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    network = Network()
    speeds = [{"params": network.parts.parameters()}, {"params": network.head.parameters()}]
    optimiser = torch.optim.AdamW(speeds, weight_decay=0.01)
    by_label = [[sound for sound in on if sound[2] == name] for name in NAMES]
    drawn: list[tuple[int, Sound]] = []
    for step in range(STEPS):
        if not drawn:  # some batches at once, so that each can have sounds of about one length
            names = rng.choice(len(NAMES), BATCH * BATCHES_AT_ONCE, p=SHARES)
            drawn = [(int(name), by_label[name][rng.integers(len(by_label[name]))]) for name in names]
            drawn.sort(key=lambda one: one[1][1])
            batches = [drawn[at : at + BATCH] for at in range(0, len(drawn), BATCH)]
            drawn = [one for place in rng.permutation(len(batches)) for one in batches[place]]
        share = step / STEPS
        rate = min(1.0, share / WARMING) * (0.5 + 0.5 * np.cos(np.pi * share))
        for group, fastest in zip(optimiser.param_groups, FASTEST.values(), strict=True):
            group["lr"] = fastest * rate
        labels = [name for name, _ in drawn[:BATCH]]
        mel, within = batch([sound for _, sound in drawn[:BATCH]])
        del drawn[:BATCH]
        made_harder(mel, within, labels, rng)
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
    parser.add_argument("--apart", type=int, choices=range(PARTS_OF_PEOPLE), help="the people to judge it by")
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
        apart = set() if args.apart is None else dealt(every, args.apart)
        aside = [sound for sound in every if sound[3] in apart]
        network = trained([sound for sound in every if sound[3] not in apart])
        if aside:
            told(network, aside)
        kept(network, args.out)


if __name__ == "__main__":
    main()

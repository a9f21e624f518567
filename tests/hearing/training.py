"""Trains the second opinion on "one" and "two" (`assistant/hearing/second_opinion.py`) and says what it is worth.

    python tests/hearing/training.py CORPUS

CORPUS is a folder of recordings as `bench hearing` takes it. The same words by synthetic voices come to it, all made
worse in known ways: white noise, several people talking, telephone band, a ringing room, other speeds. Features are
what the embedded model's encoder makes of each sound, cut as the program cuts it. Figures are of speakers who were no
part of the training: each group of recordings is judged by a classifier trained without it. The one that is kept is
trained with all of them. Needs the extra `training`, espeak-ng and flite; takes about ten minutes on two cores.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from sklearn.linear_model import LogisticRegression
from sklearn.preprocessing import StandardScaler

from assistant.commands.bench_hearing import Clip, corpus, say
from assistant.hearing.acceptance import FIRST_WORD
from assistant.hearing.audio import foreground, resample, spoken
from assistant.hearing.conditions import babble, mixed, speech_power
from assistant.hearing.cutter import utterances
from assistant.hearing.recogniser import RATE, Samples
from assistant.hearing.second_opinion import ANSWERS, WEIGHTS, features
from assistant.hearing.whisper import PACKAGED_SHA256, SILENCE_BEFORE, WhisperRecogniser

OTHER = "other"
SEED = 20261126
STRENGTH = 0.0003  # scikit-learn's C: the smaller, the flatter; of 0.0003 to 0.01 the best on speakers kept apart
LANGUAGES = ("en-us", "en-gb", "en-gb-x-rp", "en-gb-scotland", "en-029", "en-gb-x-gbclan", "en-gb-x-gbcwmd")
VARIANTS = ("", *(f"+m{n}" for n in range(1, 9)), *(f"+f{n}" for n in range(1, 6)), "+klatt", "+klatt4", "+croak")
FLITE = ("slt", "rms", "awb", "kal16", "kal")
OTHERS = """
    zero three four five six seven eight nine ten eleven twelve twenty hundred yes no same again both neither better
    worse right left on off up down go stop next okay um uh you do who new blue today what when run won't fun sun
    done gone wait that this the a and sure maybe clear dark lens none only once through true shoe food tooth wonder
    want walk water
"""
OTHERS_A_VOICE = 6
# With "one" or "two" in them, and neither: what may not be taken for the bare word.
PHRASES = """
    not one, not two, neither one, either one, no one, one or two, one and two, two or one, the second one,
    the other one, one more, two more, one of them, twenty one, thirty two, one hundred, two fifty, one eighty,
    maybe not one, which one
"""
FOLDS = (("fsdd",), ("words", "an4"))  # groups of recordings that no speaker shares


@dataclass(frozen=True, eq=False)
class Example:
    """One sound to learn from: `label` "one", "two" or OTHER; in `noises`; of which `group` of recordings, and who."""

    audio: Samples
    label: str
    noises: tuple[str, ...]
    group: str
    speaker: str = ""


def label(text: str) -> str:
    return text if text in ANSWERS else OTHER


def recorded(clips: list[Clip], rng: np.random.Generator) -> Iterator[Example]:
    """Words as they are; of longer speech pieces as long as words, where neither answer is said."""
    for clip in clips:
        cuts = utterances(clip.audio)
        if not cuts or clip.group == "read_speech":  # read speech makes the babble of `bench hearing`
            continue
        audio = clip.audio[cuts[0].start : cuts[-1].end]
        if clip.group in ("fsdd", "words", "an4_words"):
            answer = label(clip.text) != OTHER
            noises = ("quiet", "white", *["babble"] * 4) if answer else ("quiet", "babble", "babble")
            noises *= 2 if answer and clip.group == "words" else 1
            yield Example(audio, label(clip.text), noises, clip.group, clip.speaker)
        elif not {*ANSWERS} & set(clip.text.split()):
            for noise in ("quiet", "white", "babble"):
                length = int(rng.uniform(0.5, 1.5) * RATE)
                begin = int(rng.integers(0, max(1, len(audio) - length)))
                yield Example(audio[begin : begin + length], OTHER, (noise,), clip.group, clip.speaker)


def voices() -> list[str]:
    espeak = [f"espeak {language}{variant}" for language in LANGUAGES for variant in VARIANTS]
    return [*espeak, *(f"flite {name}" for name in FLITE)]


def synthetic(rng: np.random.Generator) -> Iterator[Example]:
    for voice in voices():
        for text in (*ANSWERS, *rng.choice(OTHERS.split(), OTHERS_A_VOICE, replace=False)):
            audio = say(str(text), voice)
            if audio is not None:
                second = str(rng.choice(["quiet", "white"]))
                noises = ("babble", second) if text in ANSWERS else (str(rng.choice(["babble", second])),)
                yield Example(audio, label(str(text)), noises, "synthetic")


def mere_talk(talkers: list[Samples], rng: np.random.Generator, count: int = 150) -> Iterator[Example]:
    for _ in range(count):
        talk = 0.05 * babble(talkers, int(rng.uniform(0.5, 1.4) * RATE), rng)
        yield Example(talk.astype(np.float32), OTHER, ("quiet",), "talk")


def made_worse(audio: Samples, rng: np.random.Generator) -> Samples:
    """Another speed, telephone band, a room that rings for 0.1 to 0.4 s: each now and then."""
    if rng.random() < 0.5:
        audio = resample(audio, RATE, int(RATE * rng.uniform(0.85, 1.18)))
    if rng.random() < 0.35:
        audio = resample(resample(audio, RATE, RATE // 2), RATE // 2, RATE)
    if rng.random() < 0.4:
        length = int(rng.uniform(0.1, 0.4) * RATE)
        decay = np.exp(-6.9 * np.arange(length) / length)  # 60 dB down at its end
        room = rng.standard_normal(length) * decay * rng.uniform(0.02, 0.15)
        room[0] = 1.0
        audio = np.convolve(audio, room)[: len(audio) + length // 2].astype(np.float32)
    return audio


def heard(audio: Samples, noise: str, talkers: list[Samples], rng: np.random.Generator) -> Samples | None:
    """The sound in a noise, cut by the program or, every other time, near its word; None where nothing was found."""
    audio = made_worse(audio, rng)
    lead = RATE // 2
    length = len(audio) + 2 * lead
    if noise == "babble":
        some = [talkers[index] for index in rng.integers(len(talkers), size=rng.integers(3, 7))]
        sound, decibels = babble(some, length, rng), rng.uniform(4, 18)
    else:
        quiet = noise == "quiet"
        sound, decibels = rng.standard_normal(length), rng.uniform(25, 60) if quiet else rng.uniform(5, 20)
    sound = mixed(audio, np.asarray(sound, np.float32), decibels, lead)
    sound *= np.float32(rng.uniform(0.1, 0.9) / max(float(np.abs(sound).max()), 1e-6))
    if rng.random() < 0.5:
        return spoken(sound)
    word = loud(audio)
    begin, end = word.start - int(rng.uniform(0.15, 0.35) * RATE), word.stop + int(rng.uniform(0.06, 0.25) * RATE)
    return sound[max(0, lead + begin) : lead + end]


def loud(audio: Samples) -> slice:
    """Where the word in a quiet recording is."""
    powers = np.square(audio[: len(audio) // 160 * 160].reshape(-1, 160)).mean(axis=1)
    frames = np.flatnonzero(np.convolve(powers, np.ones(5) / 5, "same") > powers.max() * 10**-2.5)
    return slice(int(frames[0]) * 160, int(frames[-1]) * 160)


def main() -> None:
    parser = argparse.ArgumentParser(description="Trains the second opinion on one and two.")
    parser.add_argument("corpus", type=Path)
    parser.add_argument("--out", type=Path, default=WEIGHTS)
    parser.add_argument("--keep", type=Path, help="where to keep the features, to look at them again")
    args = parser.parse_args()
    rng = np.random.default_rng(SEED)
    recogniser = WhisperRecogniser()
    clips = corpus(args.corpus)
    talkers = [clip.audio for clip in clips if clip.group in ("an4_other", "an4_numbers") and speech_power(clip.audio)]
    seen, labels, groups = [], [], []
    for source in (recorded(clips, rng), synthetic(rng), mere_talk(talkers, rng)):
        for example in source:
            for noise in example.noises:
                audio = heard(example.audio, noise, talkers, rng)
                if audio is None or len(audio) < RATE // 8:
                    continue
                audio = foreground(audio) if len(audio) > FIRST_WORD * RATE else audio
                seen.append(features(recogniser.encoded(audio), SILENCE_BEFORE, len(audio) / RATE))
                labels.append(example.label)
                groups.append(example.group)
        print(f"{len(seen)} sounds", flush=True)
    x, y, group = np.array(seen), np.array(labels), np.array(groups)
    if args.keep:
        np.savez(args.keep, x=x, y=y, group=group)
    for fold in FOLDS:
        kept = ~np.array([name.startswith(fold) for name in group])
        weights, bias = fitted(x[kept], y[kept])
        odds = x[~kept] @ weights.T + bias
        said = np.isin(y[~kept], ANSWERS)
        right = np.array(ANSWERS)[odds.argmax(axis=1)] == y[~kept]
        print(f"trained without {' and '.join(fold)}: right in {right[said].mean():.1%} of {said.sum()}")
        if not said.all():
            bar = np.quantile(odds[~said].max(axis=1), 0.99)
            clear = right[said] & (odds[said].max(axis=1) > bar)
            print(f"  {clear.mean():.1%} at the bar that 1 % of their other sounds clear")
    weights, bias = fitted(x, y)
    np.savez_compressed(
        args.out, weights=weights.astype(np.float32), bias=bias.astype(np.float32), model=PACKAGED_SHA256["model.bin"]
    )
    print(f"{args.out.name}: {args.out.stat().st_size} bytes")


def fitted(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Weights (2, features) and biases (2,) of the log odds of each answer against other sounds."""
    scaler = StandardScaler().fit(x)
    found = LogisticRegression(C=STRENGTH, max_iter=500, class_weight="balanced").fit(scaler.transform(x), y)
    rows = {name: found.coef_[index] / scaler.scale_ for index, name in enumerate(found.classes_)}
    at = dict(zip(found.classes_, found.intercept_, strict=True))
    weights = np.array([rows[name] - rows[OTHER] for name in ANSWERS])
    bias = np.array([at[name] - at[OTHER] for name in ANSWERS]) - weights @ scaler.mean_
    return weights, bias


if __name__ == "__main__":
    main()

"""Fits and measures the weights of the evidence for "one" and "two" (`EVIDENCE` in `assistant/hearing/acceptance.py`).

    python tests/hearing/training.py CORPUS --out /tmp/opinion.npz --keep /tmp/kept.npz
    python tests/hearing/evidence.py CORPUS /tmp/kept.npz

CORPUS as for `training.py`, the second file what that keeps. Every recording is heard quiet, in white noise and in
babble, as `bench hearing` does it, with the opinion of a second opinion that was trained without its group of
recordings, and judged with weights fitted without its speaker. Printed are what became of them, and the weights fitted
to all. The weights in use are rounded means of such fits with the groups and with single speakers kept apart. Needs the
extra `training`; takes about half an hour on a core.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
from sklearn.linear_model import LogisticRegression

from assistant.commands.bench_hearing import BABBLE_GROUP, LEVELS, Clip, corpus, truth_of
from assistant.commands.hear import grammars
from assistant.grammar import LISTENING_FOR, Grammar
from assistant.hearing import acceptance
from assistant.hearing.acceptance import (
    FIRST_WORD,
    LEAST_FIT,
    LEAST_ODDS,
    MOST_APART,
    MOST_ODDS,
    Evidence,
    Weighing,
    fit_of,
    judge,
    readings,
    worth_evidence,
)
from assistant.hearing.audio import foreground, spoken
from assistant.hearing.conditions import noisy
from assistant.hearing.lone_word import LoneWord
from assistant.hearing.recogniser import RATE
from assistant.hearing.second_opinion import ANSWERS, Opinion, features
from assistant.hearing.whisper import SILENCE_BEFORE, WhisperRecogniser
from assistant.protocol.meanings import Meaning
from tests.hearing.training import FOLDS, fitted

BELOW_EVEN = 0.5  # nats below even odds at which a word counts as sure
STRENGTH = 0.3  # scikit-learn's C
PARTS = 8  # of the speakers
MEANT = {"one": Meaning.FIRST, "two": Meaning.SECOND}


def weighed(clips: list[Clip], noise: str, kept: dict, grammar: Grammar) -> list[tuple[Clip, Weighing]]:
    """Each recording weighed, with an opinion that knew none of its group, and the decoder told."""
    recogniser = WhisperRecogniser(threads=1)
    recogniser._opinion = None  # its opinion has heard these speakers, and would leave things out
    lone_word = LoneWord(recogniser._decoder)
    opinions = {}
    for fold in FOLDS:
        apart = ~np.array([name.startswith(fold) for name in kept["group"]])
        opinions[fold] = fitted(kept["x"][apart], kept["y"][apart])
    talkers = [clip.audio for clip in clips if clip.group == BABBLE_GROUP]
    found = []
    for number, clip in enumerate(clips):
        level = LEVELS[noise]
        sound = spoken(clip.audio if level is None else noisy(clip.audio, noise, level, talkers, seed=number))
        weighing = None if sound is None else recogniser.weigh(sound, grammar)
        if sound is None or weighing is None:
            continue
        if weighing.seconds <= FIRST_WORD:
            near = foreground(sound) if len(sound) > FIRST_WORD * RATE else sound
            frames = recogniser.encoded(near)
            weights, bias = opinions[next((f for f in FOLDS if clip.group.startswith(f)), FOLDS[-1])]
            one, two = weights @ features(frames, SILENCE_BEFORE, len(near) / RATE) + bias
            weighing = replace(weighing, opinion=Opinion(float(one), float(two)), told=lone_word(frames[None]))
        found.append((clip, weighing))
    return found


def pieces(word: str, weighing: Weighing) -> list[float]:
    """What the weights of the evidence are for."""
    fits = [fit_of(r, weighing.free_logp) for r in readings(weighing.candidates) if r.parsed.text == word]
    opinion, told = weighing.opinion, weighing.told
    assert opinion is not None and told is not None
    other = ANSWERS[1 - ANSWERS.index(word)]
    own = getattr(opinion, word)
    return [
        max([*fits, LEAST_FIT]),
        float(np.clip(own, LEAST_ODDS, MOST_ODDS)),
        float(np.clip(own - getattr(opinion, other), -MOST_APART, MOST_APART)),
        float(np.clip(getattr(told, word), LEAST_ODDS, MOST_ODDS)),
        float(word == ANSWERS[1]),
    ]


def regression(seen: list[tuple[Clip, Weighing]]) -> Evidence:
    seen = [(clip, weighing) for clip, weighing in seen if weighing.told is not None]
    x = np.array([pieces(word, weighing) for word in ANSWERS for _, weighing in seen])
    y = np.array([clip.text == word for word in ANSWERS for clip, _ in seen])
    found = LogisticRegression(C=STRENGTH, max_iter=3000).fit(x, y)
    fit, opinion, apart, told, second = (round(float(each), 2) for each in found.coef_[0])
    bias = round(float(found.intercept_[0]) + BELOW_EVEN, 2)
    return Evidence(fit, opinion, apart, told, bias, round(bias + second, 2))


def main() -> None:
    parser = argparse.ArgumentParser(description="Fits the weights of the evidence for one and two.")
    parser.add_argument("corpus", type=Path)
    parser.add_argument("kept", type=Path)
    args = parser.parse_args()
    clips = corpus(args.corpus)
    with np.load(args.kept) as file:
        kept = {name: file[name] for name in ("x", "y", "group")}
    grammar = grammars().union(*LISTENING_FOR["choice"])
    seen = {noise: weighed(clips, noise, kept, grammar) for noise in LEVELS}
    speakers = sorted({clip.speaker for clip in clips})
    order = np.random.default_rng(0).permutation(len(speakers))
    part = {name: int(at) % PARTS for name, at in zip(speakers, order, strict=True)}
    every = [both for heard in seen.values() for both in heard]
    weights = [regression([both for both in every if part[both[0].speaker] != number]) for number in range(PARTS)]
    for noise, found in seen.items():
        became: Counter[str] = Counter()
        for clip, weighing in found:
            acceptance.EVIDENCE = weights[part[clip.speaker]]
            heard = judge(weighing if worth_evidence(weighing) else replace(weighing, told=None))
            if heard.accepted and clip.text in MEANT:
                right = heard.meaning is MEANT[clip.text]
                became["right" if right else "swapped" if heard.meaning in MEANT.values() else "other"] += 1
            elif heard.accepted and truth_of(grammar, clip.text) is None and heard.meaning is not Meaning.QUESTION:
                became["other speech accepted"] += 1
        print(noise, dict(became), flush=True)
    print(regression(every))


if __name__ == "__main__":
    main()

"""`bench hearing`: how often people are heard right, asked again, or taken for something else.

Every recording of a corpus is heard as an exam would hear it: cut to the speech, recognised, accepted or
refused. What it ought to mean is what the grammar says of its transcript, so the corpus needs no marks of its
own. The folder holds `manifest.tsv` with the columns file, group, text, speaker. Clips of the group
`read_speech` make the babble.
"""

from __future__ import annotations

import argparse
import csv
import json
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

import numpy as np

from ..errors import UserError
from ..grammar import LISTENING_FOR, Grammar, Grammars, Template
from ..grammar.numbers import Range
from ..hearing.audio import read, resample, spoken
from ..hearing.conditions import noisy
from ..hearing.engines import NAMES, load
from ..hearing.recogniser import Recogniser, Samples
from ..protocol.meanings import Heard, Meaning, Outcome
from .hear import grammars

STATES = ("choice", "legible")
BABBLE_GROUP = "read_speech"
OTHER = "other speech"
AGAIN = "asked again"
LEVELS = {"none": None, "white": 10.0, "babble": 10.0}  # decibels of speech over noise
TOLD_EVERY = 100  # recordings
CONFIDENCE = 1.959964  # standard normal quantile of a two-sided 95 % interval

SWAPS = {  # meanings of a state that must never be taken for one another
    "choice": {Meaning.FIRST, Meaning.SECOND},
    "legible": {Meaning.YES, Meaning.NO},
}

# Spoken commands with numbers.
NUMBERS = (
    Meaning.SET_SPHERE,
    Meaning.SET_CYLINDER,
    Meaning.SET_AXIS,
    Meaning.SET_ACUITY,
    Meaning.SET_PD,
    Meaning.SET_ADD,
)
USUAL_SENTENCES = 3  # of each kind, the likeliest
NUMBER_COMMANDS = 40  # a voice
ESPEAK_VOICES = ("en-us", "en-gb-x-rp", "en-us+f3", "en-gb-scotland+m3", "en-us+m7", "en-029+f2")
FLITE_VOICES = ("slt", "rms", "awb", "kal16")
WORDS_PER_MINUTE = 150


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "hearing",
        help="how often people are heard right, asked again, or taken for something else",
        description="Hears a corpus of recordings in each listening state and prints what became of them.",
    )
    parser.add_argument(
        "--corpus", metavar="DIR", type=Path, help="recordings and their manifest.tsv; without it, only --commands"
    )
    parser.add_argument("--commands", action="store_true", help="also commands with numbers, by synthetic voices")
    parser.add_argument(
        "--noise",
        choices=(*LEVELS, "all"),
        action="append",
        help="none, white or babble at 10 dB; may be given more than once (all three)",
    )
    parser.add_argument("--every", metavar="N", type=int, default=1, help="only every Nth recording (1)")
    parser.add_argument("--engine", choices=NAMES, help="the recogniser (the embedded one)")
    parser.add_argument("--model", metavar="DIR", type=Path, help="its model (the packaged one)")
    parser.add_argument("--json", action="store_true", help="one JSON object")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Measure and print. Raises UserError where the corpus cannot be read."""
    if args.corpus is None and not args.commands:
        raise UserError("nothing to hear. Fix: --corpus DIR, or --commands")
    if args.every < 1:
        raise UserError("--every takes a whole number from 1 up")
    linked = grammars()
    recogniser = load(args.engine, args.model)
    report: dict[str, Any] = {"engine": recogniser.name, "model": recogniser.model, "states": []}
    if args.corpus is not None:
        clips = corpus(args.corpus)
        talkers = [clip.audio for clip in clips if clip.group == BABBLE_GROUP]
        clips = clips[:: args.every]
        for condition, decibels in LEVELS.items():
            if not {condition, "all"} & set(args.noise or ["all"]):
                continue
            if condition == "babble" and not talkers:
                print(f"babble: not measured, no clip of the group {BABBLE_GROUP}", file=sys.stderr)
                continue
            for state in measured(clips, condition, decibels, talkers, recogniser, linked, told=not args.json):
                report["states"].append(state.as_json())
                if not args.json:
                    print(state.as_text(), flush=True)
    if args.commands:
        numbers = number_commands(linked, recogniser)
        report["commands"] = numbers.as_json()
        if not args.json:
            print(numbers.as_text())
    if args.json:
        print(json.dumps(report))
    return 0


@dataclass(frozen=True, eq=False)
class Clip:
    group: str
    text: str
    audio: Samples
    speaker: str = ""


def corpus(folder: Path) -> list[Clip]:
    """The recordings that `manifest.tsv` names. Raises UserError for a folder that is no corpus."""
    manifest = folder / "manifest.tsv"
    if not manifest.is_file():
        raise UserError(f"{folder} has no manifest.tsv. Fix: give a folder with one: file, group, text, speaker")
    with manifest.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file, delimiter="\t"))
    if not rows or not {"file", "group", "text"} <= rows[0].keys():
        raise UserError(f"{manifest} needs the columns file, group, text, tab-separated")
    return [
        Clip(row["group"], row["text"].strip(), read(folder / row["file"]), row.get("speaker") or "") for row in rows
    ]


def interval(count: int, of: int) -> tuple[float, float]:
    """The 95 % interval of a share: E.B. Wilson, J Am Stat Assoc 1927;22:209-212. All of nothing is 0 to 1."""
    if not of:
        return 0.0, 1.0
    share, square = count / of, CONFIDENCE**2
    middle = share + square / (2 * of)
    half = CONFIDENCE * ((share * (1 - share) / of + square / (4 * of**2)) ** 0.5)
    return max(0.0, (middle - half) / (1 + square / of)), min(1.0, (middle + half) / (1 + square / of))


@dataclass
class State:
    """What became of a corpus in one listening state: a row for each true meaning, a column for each heard one."""

    state: str
    condition: str
    rows: dict[str, Counter[str]] = field(default_factory=dict)
    seconds: list[float] = field(default_factory=list)

    def add(self, truth: Meaning | None, heard: Heard, seconds: float | None) -> None:
        row = self.rows.setdefault(OTHER if truth is None else str(truth), Counter())
        row[str(heard.meaning) if heard.accepted else AGAIN] += 1
        if seconds is not None and truth in SWAPS[self.state]:
            self.seconds.append(seconds)

    def _count(self, which: str) -> tuple[int, int]:
        answers = {str(meaning) for meaning in SWAPS[self.state]}
        inside = {truth: row for truth, row in self.rows.items() if truth in answers}
        total = sum(row.total() for row in inside.values())
        if which == "right":
            return sum(row[truth] for truth, row in inside.items()), total
        if which == AGAIN:
            return sum(row[AGAIN] for row in inside.values()), total
        if which == "swapped":
            return sum(row[other] for truth, row in inside.items() for other in answers - {truth}), total
        row = self.rows.get(OTHER, Counter())
        return row.total() - row[AGAIN] - row[str(Meaning.QUESTION)], row.total()

    def shares(self) -> dict[str, tuple[int, int]]:
        """Right, asked again and swapped of the two answers; other speech taken for an answer: (count, of)."""
        return {which: self._count(which) for which in ("right", AGAIN, "swapped", "other speech accepted")}

    def as_json(self) -> dict[str, Any]:
        shares = {
            name.replace(" ", "_"): {"count": count, "of": of, "interval": [round(x, 5) for x in interval(count, of)]}
            for name, (count, of) in self.shares().items()
        }
        return {
            "state": self.state,
            "condition": self.condition,
            **shares,
            "confusion": {truth: dict(row) for truth, row in self.rows.items()},
            "seconds": _times(self.seconds),
        }

    def as_text(self) -> str:
        columns = [*sorted({heard for row in self.rows.values() for heard in row} - {AGAIN}), AGAIN]
        noise = "quiet" if self.condition == "none" else f"{self.condition} at {LEVELS[self.condition]:g} dB"
        lines = [f"{self.state}, {noise}"]
        for name, (count, of) in self.shares().items():
            low, high = interval(count, of)
            lines.append(f"  {name:<22} {_share(count, of)} of {of:<4} (95 %: {100 * low:.1f}-{100 * high:.1f} %)")
        times = _times(self.seconds)
        lines.append(f"  seconds an answer      median {times['median']:.3f}, 95th percentile {times['p95']:.3f}")
        lines.append("  said \\ heard  " + "".join(f"{column:>13}" for column in columns))
        for truth, row in sorted(self.rows.items()):
            lines.append(f"  {truth:<14}" + "".join(f"{row[column] or '.':>13}" for column in columns))
        return "\n".join(lines) + "\n"


def _share(count: int, of: int) -> str:
    return f"{100 * count / of:5.1f} %" if of else "  none"


def _times(seconds: Iterable[float]) -> dict[str, float]:
    ordered = np.asarray(list(seconds))
    if not len(ordered):
        return {"median": 0.0, "p95": 0.0}
    return {"median": round(float(np.median(ordered)), 4), "p95": round(float(np.quantile(ordered, 0.95)), 4)}


def measured(
    clips: list[Clip],
    condition: str,
    decibels: float | None,
    talkers: list[Samples],
    recogniser: Recogniser,
    linked: Grammars,
    told: bool = False,
) -> Iterator[State]:
    """Every listening state over every clip in one condition.

    A clip is cut once, and recognisers keep what they made of a sound for the next grammar; so only the first
    of a clip's states, each in turn, tells the time of a `hear`. `told`: progress goes to standard error.
    """
    states = {name: State(name, condition) for name in STATES}
    live = {name: linked.union(*LISTENING_FOR[name]) for name in STATES}
    for number, clip in enumerate(clips):
        audio = clip.audio if decibels is None else noisy(clip.audio, condition, decibels, talkers, seed=number)
        if told and number and not number % TOLD_EVERY:
            print(f"{condition}: {number} of {len(clips)} recordings", file=sys.stderr, flush=True)
        speech = spoken(audio)
        for turn in range(len(STATES)):
            name = STATES[(number + turn) % len(STATES)]
            began = time.perf_counter()
            heard = Heard("", Outcome.SILENCE) if speech is None else recogniser.hear(speech, live[name])
            took = None if turn else time.perf_counter() - began
            states[name].add(truth_of(live[name], clip.text), heard, took)
    yield from states.values()


def truth_of(grammar: Grammar, text: str) -> Meaning | None:
    """What a transcript ought to be heard as in a state; None for speech about something else."""
    parsed = grammar.parse(text) if text else None
    return parsed.meaning if parsed is not None and parsed.outcome is Outcome.HEARD else None


# --- commands with numbers, by synthetic voices ---


@dataclass
class Spoken:
    """What became of the commands of each voice."""

    right: Counter[str] = field(default_factory=Counter)
    again: Counter[str] = field(default_factory=Counter)
    wrong: Counter[str] = field(default_factory=Counter)
    mistakes: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)

    @property
    def voices(self) -> list[str]:
        return sorted(self.right | self.again | self.wrong)

    def as_json(self) -> dict[str, Any]:
        counts = {"right": self.right.total(), "asked_again": self.again.total(), "wrong_value": self.wrong.total()}
        return {
            **counts,
            "of": sum(counts.values()),
            "voices": {v: [self.right[v], self.again[v], self.wrong[v]] for v in self.voices},
            "voices_not_installed": self.missing,
            "wrong": self.mistakes,
            "seconds": _times(self.seconds),
        }

    def as_text(self) -> str:
        figures = self.as_json()
        lines = [f"commands with numbers, {len(self.voices)} synthetic voices"]
        for name in ("right", "asked_again", "wrong_value"):
            low, high = interval(figures[name], figures["of"])
            share = _share(figures[name], figures["of"])
            lines.append(
                f"  {name.replace('_', ' '):<22} {share} of {figures['of']} (95 %: {100 * low:.1f}-{100 * high:.1f} %)"
            )
        times = figures["seconds"]
        lines.append(f"  seconds a command      median {times['median']:.3f}, 95th percentile {times['p95']:.3f}")
        lines += [f"  {v:<22} right {r}, asked again {a}, wrong {w}" for v, (r, a, w) in figures["voices"].items()]
        lines += [f"  wrong: {mistake}" for mistake in self.mistakes]
        if self.missing:
            lines.append(f"  NOT MEASURED, voices not installed: {', '.join(self.missing)}")
        return "\n".join(lines)


def number_commands(linked: Grammars, recogniser: Recogniser, count: int = NUMBER_COMMANDS) -> Spoken:
    """The same number of commands from each voice there is, each voice its own, heard as commands."""
    grammar = linked.union(*LISTENING_FOR["command"])
    result = Spoken()
    for number, voice in enumerate([*(f"espeak {v}" for v in ESPEAK_VOICES), *(f"flite {v}" for v in FLITE_VOICES)]):
        rng = Random(number)
        for text, meaning, value in sentences(linked, count, rng):
            audio = say(text, voice)
            if audio is None:
                result.missing.append(voice)
                print(f"voice {voice} is not installed: not measured", file=sys.stderr)
                break
            began = time.perf_counter()
            speech = spoken(audio)
            heard = Heard("", Outcome.SILENCE) if speech is None else recogniser.hear(speech, grammar)
            result.seconds.append(time.perf_counter() - began)
            if not heard.accepted:
                result.again[voice] += 1
            elif (heard.meaning, heard.value) == (meaning, value):
                result.right[voice] += 1
            else:
                result.wrong[voice] += 1
                result.mistakes.append(f"{voice}: {text!r} heard as {heard.text!r}")
    return result


def sentences(linked: Grammars, count: int, rng: Random) -> Iterator[tuple[str, Meaning, Any]]:
    """Commands that set a number: each kind in turn, in its usual sentences, any number in any of its forms."""
    usual: dict[Meaning, list[Template]] = {}
    for template in linked.get("command").templates():  # the likeliest first
        if template.outcome is Outcome.HEARD and any(isinstance(part, Range) for part in template.parts):
            usual.setdefault(template.meaning, []).append(template)
    kinds = [meaning for meaning in NUMBERS if meaning in usual]
    for number in range(count):
        template = rng.choice(usual[kinds[number % len(kinds)]][:USUAL_SENTENCES])
        allowed = next(part for part in template.parts if isinstance(part, Range))
        value = rng.choice(list(allowed.values()))
        said = rng.choice(allowed.kind.say(value))
        yield (
            " ".join(part if isinstance(part, str) else said for part in template.parts),
            template.meaning,
            value,
        )


def say(text: str, voice: str) -> Samples | None:
    """A text spoken by one of the synthetic voices, at 16 kHz; None if the voice is not on this machine."""
    engine, name = voice.split()
    if engine == "flite":
        return _flite(text, name)
    from ..speaking.engine import Pyttsx3Engine, VoiceError

    try:
        samples, rate = Pyttsx3Engine(name, WORDS_PER_MINUTE).synthesize(text)
    except VoiceError:
        return None
    return resample(samples, rate)


def _flite(text: str, name: str) -> Samples | None:
    program = shutil.which("flite")
    if program is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "speech.wav"
        done = subprocess.run([program, "-voice", name, "-t", text, "-o", str(path)], capture_output=True, check=False)
        return read(path) if done.returncode == 0 and path.is_file() else None

"""`bench latency`: how long after the end of speech an utterance reaches the exam, and what listening costs.

Utterances by a synthetic voice are played at real pace, in the blocks of a microphone, into the same
listening that an exam uses. The end of speech is taken from the sound itself (its last sample above a
hundredth of its peak), not from the detector.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any, cast

import numpy as np

from ..grammar import Grammar
from ..grammar.grammar import EVERYWHERE
from ..hearing.engines import NAMES, load
from ..hearing.recogniser import RATE, Samples
from ..listening import Ear
from ..protocol.effects import Ask
from ..protocol.meanings import Heard
from ..protocol.questions import Question
from .bench_hearing import ESPEAK_VOICES, say, sentences
from .hear import grammars

BLOCK = RATE // 50  # samples: 20 ms, what a microphone hands over at a time
GAP = 1.5  # seconds of room noise between utterances
ROOM = 0.002  # root mean square of the room's noise: 54 dB below full scale
AUDIBLE = 0.01  # of an utterance's peak: what follows the last louder sample is silence
IDLE_SECONDS = 10.0
ANSWERS = ("one", "two", "about the same", "the second one", "can't tell", "two", "one", "show me again")
REPEATS = 3  # voices that say each answer
COMMANDS = 16


@dataclass
class _Listened:
    """Stands where the exam's session stands, and notes when things reach it."""

    live: Grammar
    over: bool = False
    asks: str = "assistant"
    question: Question | None = None
    last_ask: Ask | None = None
    times_asked: int = 0
    heard: list[tuple[float, Heard]] = field(default_factory=list)

    def grammar(self, by: object = None) -> Grammar:
        return self.live

    def take(self, heard: Heard, recording: object = None, hedged_by: object = ()) -> None:
        self.heard.append((time.perf_counter(), heard))


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "latency",
        help="how soon after the end of speech an utterance is heard; memory, idle load, start",
        description="Plays utterances at real pace into the exam's listening and prints how soon they are heard.",
    )
    parser.add_argument("--engine", choices=NAMES, help="the recogniser (the embedded one)")
    parser.add_argument("--model", metavar="DIR", type=Path, help="its model (the packaged one)")
    parser.add_argument("--json", action="store_true", help="one JSON object")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Measure and print; takes about two minutes of real time."""
    ready = _ready_seconds(args)
    linked = grammars()
    recogniser = load(args.engine, args.model)
    answers = [say(words, f"espeak {voice}") for voice in ESPEAK_VOICES[:REPEATS] for words in ANSWERS]
    commands = [
        say(text, f"espeak {ESPEAK_VOICES[number % len(ESPEAK_VOICES)]}")
        for number, (text, _, _) in enumerate(sentences(linked, COMMANDS, Random(1)))
    ]
    choice, command = linked.union("choice", *EVERYWHERE), linked.union(*EVERYWHERE)
    report: dict[str, Any] = {
        "engine": recogniser.name,
        "model": recogniser.model,
        "answers": _summary(_delays(_present(answers), recogniser, choice)),
        "commands": _summary(_delays(_present(commands), recogniser, command)),
        "idle_share_of_a_core": round(_idle(recogniser, choice), 4),
        "peak_megabytes": _peak_megabytes(),
        "ready_seconds": ready,
    }
    if args.json:
        print(json.dumps(report))
        return 0
    for name in ("answers", "commands"):
        figures = report[name]
        print(
            f"{name:<9} {figures['heard']} of {figures['played']} heard; after the end of speech: "
            f"median {figures['median']:.2f} s, 95th percentile {figures['p95']:.2f} s"
        )
    print(f"idle      {100 * report['idle_share_of_a_core']:.1f} % of one core")
    print(f"memory    {report['peak_megabytes']} MB at most")
    print(f"ready     {ready:.1f} s after the start")
    return 0


def _present(sounds: Sequence[Samples | None]) -> list[Samples]:
    return [sound for sound in sounds if sound is not None]


def _play(audio: Samples, ear: Ear) -> float:
    """Push sound at real pace; returns the clock at which its first sample sounded."""
    began = time.perf_counter()
    for at in range(0, len(audio), BLOCK):
        block = audio[at : at + BLOCK]
        wait = began + (at + len(block)) / RATE - time.perf_counter()
        if wait > 0:
            time.sleep(wait)
        ear.push(block)
    return began


def _room(seconds: float, rng: np.random.Generator) -> Samples:
    return (ROOM * rng.standard_normal(int(seconds * RATE))).astype(np.float32)


def _delays(sounds: Sequence[Samples], recogniser: Any, grammar: Grammar) -> Iterator[float | None]:
    """Seconds from the end of each utterance to its being heard; None for one that was not accepted."""
    rng = np.random.default_rng(0)
    listened = _Listened(grammar)
    ear = Ear(cast(Any, listened), recogniser)
    recogniser.hear(_room(0.5, rng), grammar)  # prepares the grammar, as the start of an exam does
    for sound in sounds:
        listened.heard.clear()
        lead = _room(0.5, rng)
        audio = np.concatenate([lead, sound + _room(len(sound) / RATE, rng)[: len(sound)], _room(GAP, rng)])
        began = _play(audio, ear)
        end = began + (len(lead) + np.flatnonzero(np.abs(sound) > AUDIBLE * np.abs(sound).max())[-1]) / RATE
        accepted = [when for when, heard in listened.heard if heard.accepted]
        yield accepted[-1] - end if accepted else None


def _summary(delays: Iterator[float | None]) -> dict[str, Any]:
    every = list(delays)
    known = [delay for delay in every if delay is not None]
    if not known:
        return {"played": len(every), "heard": 0, "median": float("nan"), "p95": float("nan")}
    return {
        "played": len(every),
        "heard": len(known),
        "median": round(float(np.median(known)), 3),
        "p95": round(float(np.quantile(known, 0.95)), 3),
    }


def _idle(recogniser: Any, grammar: Grammar) -> float:
    """Share of one core that listening takes while nobody speaks."""
    ear = Ear(cast(Any, _Listened(grammar)), recogniser)
    sound = _room(IDLE_SECONDS, np.random.default_rng(2))
    before = time.process_time()
    _play(sound, ear)
    return (time.process_time() - before) / IDLE_SECONDS


def _peak_megabytes() -> int | None:
    """Peak memory of this process; None where the system does not tell."""
    try:
        import resource
    except ImportError:  # not on Windows
        return None
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return round(peak / (1 << 20 if sys.platform == "darwin" else 1 << 10))  # bytes there, kilobytes here


def _ready_seconds(args: argparse.Namespace) -> float:
    """From starting a fresh Python to a recogniser that can hear."""
    code = "import sys; from pathlib import Path; from assistant.hearing.engines import load; "
    code += "from assistant.commands.hear import grammars; from assistant.grammar.grammar import EVERYWHERE; "
    code += "load(sys.argv[1] or None, Path(sys.argv[2]) if sys.argv[2] else None); "
    code += "grammars().union('choice', *EVERYWHERE)"
    began = time.perf_counter()
    subprocess.run([sys.executable, "-c", code, args.engine or "", str(args.model or "")], check=True)
    return round(time.perf_counter() - began, 2)

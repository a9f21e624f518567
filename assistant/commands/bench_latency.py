"""`bench latency`: how long after the end of speech an utterance is heard, and what listening costs.

Utterances by a synthetic voice are played at real pace by a device that is none, at its own rate and in its own
thread, into the microphone path of an exam: resampler, detector, recogniser, the exam's own reckoning, the recording
and the line of the log. The delay ends when the `heard` event is on the disk and told. The end of speech is taken from
the sound itself (its last sample above a hundredth of its peak), not from the detector. The times of a real device's
driver, tens of milliseconds, come on top.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import numpy as np

from ..hearing.audio import resample
from ..hearing.engines import NAMES, load
from ..hearing.microphone import Block, Deliver, Microphone
from ..hearing.recogniser import RATE, Recogniser, Samples
from ..listening import TICK, Ear
from ..protocol.meanings import Meaning, Speaker
from ..protocol.questions import Choice
from ..record.events import Event
from ..record.folder import ExamFolder
from ..record.starts import start_from_dict
from ..session import Session
from .bench_hearing import ESPEAK_VOICES, say, sentences
from .hear import grammars

DEVICE_RATE = 48_000  # hertz: what most microphones run at
BLOCK = DEVICE_RATE // 50  # samples, 20 ms: what the device hands over at a time
LEAD, GAP = 0.5, 1.5  # seconds of room noise before and after an utterance
ROOM = 0.002  # root mean square of the room's noise: 54 dB below full scale
AUDIBLE = 0.01  # of an utterance's peak: what follows the last louder sample is silence
IDLE_SECONDS = 10.0
ANSWERS = ("one", "two", "about the same", "the second one", "can't tell", "two", "one", "number two")
ROUNDS = 3  # of all answers, each by another voice
COMMANDS = 16
CLEAREST = 2  # of the voices say the commands: only what is heard has a delay

# An exam that stands at its first pair of lenses once two lines are told.
START = {"age": 38, "pd": 62, "right": {"sphere": -2.0, "cylinder": -0.75, "axis": 15}, "manner": {"eyes": ["right"]}}
LINES = ("twenty forty", "twenty forty", "twenty forty")


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "latency",
        help="how soon after the end of speech an utterance is heard; memory, idle load, start",
        description="Plays utterances at real pace into the microphone path and prints how soon they are heard. "
        "On a machine busy with other work the figures are that work's too: its load is printed with them.",
    )
    parser.add_argument("--answers", type=int, default=ROUNDS * len(ANSWERS), help="how many (%(default)s)")
    parser.add_argument("--commands", type=int, default=COMMANDS, help="how many, with numbers (%(default)s)")
    parser.add_argument("--engine", choices=NAMES, help="the recogniser (the embedded one)")
    parser.add_argument("--model", metavar="DIR", type=Path, help="its model (the packaged one)")
    parser.add_argument("--json", action="store_true", help="one JSON object")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Measure and print; takes about three minutes of real time."""
    ready = _ready_seconds(args)
    linked = grammars()
    recogniser = load(args.engine, args.model)
    answers = [(words, ESPEAK_VOICES[number // len(ANSWERS) % len(ESPEAK_VOICES)]) for number, words in _answers(args)]
    commands = [
        (text, ESPEAK_VOICES[number % CLEAREST])
        for number, (text, _, _) in enumerate(sentences(linked, args.commands, Random(1)))
    ]
    with tempfile.TemporaryDirectory() as kept, ExamFolder.create(Path(kept) / "exam") as folder:
        desk = Desk(recogniser, folder)
        report: dict[str, Any] = {
            "engine": recogniser.name,
            "model": recogniser.model,
            "answers": summary(desk.delays(_spoken(answers), _is_answer)),
            "commands": summary(desk.delays(_spoken(commands), _is_number)),
            "idle_share_of_a_core": round(desk.idle(), 4),
            "peak_megabytes": _peak_megabytes(),
            "ready_seconds": ready,
            "load": _load(),
            "cores": os.cpu_count(),
        }
    if args.json:
        print(json.dumps(report))
        return 0
    for name in ("answers", "commands"):
        figures = report[name]
        delay = "-"
        if figures["heard"]:
            delay = (
                f"p50 {figures['p50']:.2f} s, p95 {figures['p95']:.2f} s (the pause in it {figures['pause_p50']:.2f} s)"
            )
        print(f"{name:<9} {figures['heard']} of {figures['played']} heard; after the end of speech: {delay}")
    print(f"idle      {100 * report['idle_share_of_a_core']:.1f} % of one core")
    print(f"memory    {report['peak_megabytes']} MB at most")
    print(f"ready     {ready:.1f} s after the start")
    print(f"load      {report['load']} waiting for {report['cores']} cores while this was measured")
    return 0


class Playing:
    """A microphone's device that is none: it plays a sound at real pace, in its own thread."""

    rate = DEVICE_RATE

    def __init__(self, sound: Samples) -> None:
        """`sound` at DEVICE_RATE."""
        self._sound = sound
        self._over = threading.Event()
        self.began = 0.0  # on the monotonic clock, when its first sample sounded

    def open(self, deliver: Deliver) -> Playing:
        self.began = time.monotonic()
        threading.Thread(target=self._play, args=(deliver,), daemon=True).start()
        return self

    def _play(self, deliver: Deliver) -> None:
        for at in range(0, len(self._sound), BLOCK):
            block = self._sound[at : at + BLOCK, None]
            wait = self.began + (at + len(block)) / self.rate - time.monotonic()
            if self._over.wait(max(wait, 0.0)):
                return
            deliver(block, len(block) / self.rate, False)
        self._over.set()

    @property
    def alive(self) -> bool:
        return not self._over.is_set()

    def close(self) -> None:
        self._over.set()


@dataclass(frozen=True)
class Heard:
    """A `heard` event, when it was on the disk, and how much sound had been listened to by then (samples)."""

    at: float
    position: int
    event: Event


@dataclass(frozen=True)
class Delay:
    """Seconds from the end of speech to the event.

    pause  of them, the silence that had to be heard before the utterance counted as ended; the rest is the way through
           the microphone path and the machine's work
    """

    total: float
    pause: float


class Desk:
    """An exam that stands at a pair of lenses, and is put back there after everything it hears."""

    def __init__(self, recogniser: Recogniser, folder: ExamFolder | None) -> None:
        self._told: list[Heard] = []
        self._session = Session(
            grammars(), start_from_dict(START), folder=folder, watch=(self._watch,), asks="assistant"
        )
        self._session.begin()
        for line in LINES:
            if not isinstance(self._session.question, Choice):
                self._session.take(self._session.typed(line, Speaker.PATIENT))
        assert isinstance(self._session.question, Choice)
        self._stands_at = self._session.question
        self._ear = Ear(self._session, recogniser, folder)
        self._noise = np.random.default_rng(0)
        # Prepares the grammar, as the assistant's first prompts do in an exam.
        recogniser.hear(resample(self._room(0.5), DEVICE_RATE), self._session.grammar())

    def delays(self, sounds: Sequence[Samples], wanted: Callable[[Event], bool]) -> Iterator[Delay | None]:
        """From the end of each utterance to its being heard; None where it was not, or not surely."""
        for sound in sounds:
            self._told.clear()
            lead, gap = self._room(LEAD), self._room(GAP)
            device = Playing(np.concatenate([lead, sound + self._room(len(sound) / DEVICE_RATE)[: len(sound)], gap]))
            before = self._ear.position
            self._listen(device)
            loud = np.flatnonzero(np.abs(sound) > AUDIBLE * np.abs(sound).max())
            end = (len(lead) + int(loud[-1]) + 1) / DEVICE_RATE
            heard = [one for one in self._told if one.event["accepted"] and wanted(one.event)]
            if heard:
                last = heard[-1]
                yield Delay(last.at - device.began - end, (last.position - before) / RATE - end)
            else:
                yield None
            while self._session.question != self._stands_at:
                self._session.take(self._session.typed("undo"))

    def idle(self) -> float:
        """Share of one core that listening takes while nobody speaks."""
        before = time.process_time()
        self._listen(Playing(self._room(IDLE_SECONDS)))
        return (time.process_time() - before) / IDLE_SECONDS

    def _listen(self, device: Playing) -> None:
        with Microphone([device.open]) as microphone:
            while True:
                came = microphone.poll()
                if isinstance(came, Block):
                    self._ear.push(came.samples)
                elif came is None:
                    microphone.wait(TICK)
                else:
                    return  # it has played to its end

    def _room(self, seconds: float) -> Samples:
        return (ROOM * self._noise.standard_normal(round(seconds * DEVICE_RATE))).astype(np.float32)

    def _watch(self, event: Event) -> None:
        if event["kind"] == "heard" and not event["typed"]:
            self._told.append(Heard(time.monotonic(), self._ear.position, event))


def summary(delays: Iterator[Delay | None]) -> dict[str, Any]:
    """How many were played and heard; median and 95th percentile of the delays, and the median of the pause in them.

    In seconds, None where nothing was heard.
    """
    every = list(delays)
    known = [delay for delay in every if delay is not None]

    def quantile(values: list[float], share: float) -> float | None:
        return round(float(np.quantile(values, share)), 3) if values else None

    totals = [delay.total for delay in known]
    return {
        "played": len(every),
        "heard": len(known),
        "p50": quantile(totals, 0.5),
        "p95": quantile(totals, 0.95),
        "pause_p50": quantile([delay.pause for delay in known], 0.5),
    }


def _answers(args: argparse.Namespace) -> Iterator[tuple[int, str]]:
    return ((number, ANSWERS[number % len(ANSWERS)]) for number in range(args.answers))


def _spoken(texts: Sequence[tuple[str, str]]) -> list[Samples]:
    spoken = (say(text, f"espeak {voice}") for text, voice in texts)
    return [resample(sound, RATE, DEVICE_RATE) for sound in spoken if sound is not None]


def _is_answer(event: Event) -> bool:
    return event["value"] is None


def _is_number(event: Event) -> bool:
    return event["value"] is not None and event["meaning"] != Meaning.NOTE.value


def _peak_megabytes() -> int | None:
    """Peak memory of this process; None where the system does not tell."""
    try:
        import resource
    except ImportError:  # not on Windows
        return None
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return round(peak / (1 << 20 if sys.platform == "darwin" else 1 << 10))  # bytes there, kilobytes here


def _load() -> float | None:
    """Programs that ran or waited for a core in the last minute, this one among them; None where it is not told."""
    try:
        return round(os.getloadavg()[0], 1)
    except (AttributeError, OSError):  # not on Windows
        return None


def _ready_seconds(args: argparse.Namespace) -> float:
    """From starting a fresh Python to a recogniser that can hear."""
    code = "import sys; from pathlib import Path; from assistant.hearing.engines import load; "
    code += "from assistant.commands.hear import grammars; from assistant.grammar.grammar import EVERYWHERE; "
    code += "load(sys.argv[1] or None, Path(sys.argv[2]) if sys.argv[2] else None); "
    code += "grammars().union('choice', *EVERYWHERE)"
    began = time.perf_counter()
    subprocess.run([sys.executable, "-c", code, args.engine or "", str(args.model or "")], check=True)
    return round(time.perf_counter() - began, 2)

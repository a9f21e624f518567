"""`demo`: a whole two-eye exam of an invented patient, from recorded answers through the real recogniser.

A virtual patient with a known error decides each answer; a clip with that meaning, after the examiner's own question,
is laid on the sound that the microphone hears; cutter, recogniser and grammar make of it what they can. Nothing else
reaches the exam.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from typing import IO, Any

import numpy as np

from .. import __version__
from ..errors import UserError
from ..hearing.recogniser import RATE, Recogniser, Samples
from ..listening import CHUNK, Ear
from ..optics.near import mean_amplitude
from ..optics.power_vector import PowerVector
from ..patients.eye import Eye
from ..patients.patient import KINDS, Reply, VirtualPatient
from ..protocol import plan
from ..protocol.meanings import Meaning
from ..protocol.questions import Question
from ..record.audio import flac
from ..record.events import Event
from ..record.folder import ExamFolder, write_whole
from ..record.report import build_all
from ..record.starts import start_from_dict
from ..session import Session
from ..speaking import room
from ..speaking.voice import Speech, Voice, VoiceError
from ..watching import Conversation, lens_text
from .demo_clips import NOISE, Clip, Clips
from .exam import default_folder
from .hear import grammars

SIDES = ("right", "left")
CONVERSATION = "conversation.flac"


@dataclass(frozen=True)
class Scenario:
    """An invented patient: a code, an age, a PD in millimetres, and each eye's true error (D, D, degrees)."""

    code: str
    age: int
    pd: float
    right: tuple[float, float, int]
    left: tuple[float, float, int]

    def truth(self, side: str) -> PowerVector:
        return PowerVector.of(*getattr(self, side))

    def patient(self, seed: int) -> VirtualPatient:
        """Someone attentive with these eyes; a seed gives the same answers to the same questions."""
        focus = mean_amplitude(self.age)
        right, left = (Eye(self.truth(side), accommodation=focus) for side in SIDES)
        # Tells finer differences than most, so that the exam is short enough to read; hesitates near them all the same.
        traits = replace(
            KINDS["steady"].traits,
            threshold=0.03,
            same_zone=0.04,
            lapse=0.0,
            letter_noise=0.01,
            hedge=0.5,
            again=0.02,
            off_topic=0.01,
        )
        return VirtualPatient(right, left, traits, Random(seed), pd=self.pd, age=self.age)


# Off the quarter clicks and the axis steps, so that the exam cannot land on it by its own grid.
SCENARIO = Scenario("HF-0417", 38, 62.0, (-2.30, -0.80, 14), (-1.55, -1.30, 172))

# Seconds. People leave about half a second between turns; an examiner turns a dial before asking.
DIAL = 0.6  # from the assistant's prompt to the examiner's question
SHORTEST_REPLY = 0.8  # no answer begins sooner: a shorter gap would be one breath with the question
WAITED = 17.0  # after an answer, until the exam has taken it or has put its question again
BED = 20 * RATE  # samples of room noise, repeated without a seam
LONGEST = 45 * 60  # seconds of conversation: an exam that goes on for longer is stopped

_STEPS = tuple(rule.id for rule in plan.EACH_EYE)

# What the examiner says of their own accord when an eye comes to a step, and what else is to be heard there.
INTERJECTIONS = {
    ("right", "astigmatism"): "keep looking straight ahead, you're doing fine",
    ("right", "acuity"): "read back",
    ("left", "sphere"): "door",
    ("left", "over_minus"): "undo that",
}

UNCLEAR_FIRST, UNCLEAR_EVERY = 5, 17  # of the answers: which are unclear at the first try


class Scene:
    """The room: what is said in it reaches the ear sample by sample, and the whole is kept.

    The assistant's own prompts are kept too, but do not reach the ear: the microphone is closed while it speaks.

    pace   told how far the conversation has got, in seconds; returns when it may go on
    aloud  given everything that is said, as it begins
    """

    def __init__(
        self,
        noise: float = -58.0,
        seed: int = 0,
        pace: Callable[[float], None] = lambda seconds: None,
        aloud: Callable[[Samples], None] = lambda samples: None,
    ) -> None:
        self.push: Callable[[Samples], None] = lambda samples: None
        self._bed = room.noise(BED, noise, seed)
        self._pace = pace
        self._aloud = aloud
        self._kept: list[Samples] = []
        self._length = 0

    def sound(self, samples: Samples, heard: bool = True) -> None:
        """Something said or a noise; `heard` False: by the assistant."""
        self._aloud(samples)
        for begin in range(0, len(samples), CHUNK):
            piece = samples[begin : begin + CHUNK]
            bed = self._bed[np.arange(self._length, self._length + len(piece)) % BED]
            self._length += len(piece)
            mixed = np.clip(bed + piece, -1.0, 1.0)
            self._kept.append(mixed)
            self._pace(self.seconds)
            if heard:
                self.push(mixed)

    def quiet(self, seconds: float) -> None:
        """The room alone."""
        self.sound(np.zeros(round(seconds * RATE), np.float32))

    @property
    def seconds(self) -> float:
        return self._length / RATE

    def track(self) -> Samples:
        """All that was to be heard in the room, mono at RATE."""
        return np.concatenate(self._kept) if self._kept else np.zeros(0, np.float32)


class Telling(Conversation):
    """The conversation on the screen: what each person said, and beside it what was understood."""

    def __init__(self, out: IO[str], scene: Scene) -> None:
        super().__init__(out)
        self._out = out
        self._scene = scene
        self._said: Clip | None = None
        self._furthest = 0
        self.questions = self.answers = self.asked_again = self.passed_over = 0

    def say(self, clip: Clip) -> None:
        """A person begins to speak; told with what is heard of it."""
        self.silence()
        self._said = clip

    def noise(self, clip: Clip) -> None:
        """Something is heard that nobody said."""
        self.silence()
        self.line("", f"(a {clip.words})")

    def silence(self) -> None:
        """What was said and led to no event is told."""
        if self._said is not None:
            self._lost()
            self._line(self._said, "not heard")

    def __call__(self, event: Event) -> None:
        if event["kind"] == "question":
            self.questions += 1
        if event["kind"] == "heard":
            if event["accepted"] and event["meaning"] != Meaning.QUESTION.value:
                self.answers += 1
            elif not event["accepted"]:
                self._lost()
            if self._said is not None:
                self._line(self._said, _understood(event))
                return
        super().__call__(event)
        if event["kind"] == "step" and event["status"] == "begun" and event["eye"] in SIDES:
            self._progress(SIDES.index(event["eye"]), event["step"])

    def _lost(self) -> None:
        """Nothing was made of a sound; where it was an answer, it is asked for again."""
        if self._said is not None and self._said.who == "patient" and self._said.meaning is not None:
            self.asked_again += 1
        else:
            self.passed_over += 1

    def _progress(self, eye: int, step: str) -> None:
        if step in _STEPS:  # an eye may come back to a step
            self._furthest = max(self._furthest, eye * len(_STEPS) + _STEPS.index(step))
        bar = "#" * (20 * self._furthest // (2 * len(_STEPS)))
        spent = clock(self._scene.seconds)
        self.line("progress", f"[{bar:.<20}] {self.questions} questions, {spent} into the exam")

    def _line(self, clip: Clip, understood: str) -> None:
        unclear = "" if clip.clear else " (unclear on purpose)"
        self.line(clip.who, f"“{clip.words}”{unclear}  [{understood}]")
        self._out.flush()
        self._said = None


def _understood(event: Event) -> str:
    if event["outcome"] == "silence":
        return "not heard"
    meaning: str = event["meaning"] or ""
    if event["value"] is not None:
        meaning += f" {event['value']:g}" if isinstance(event["value"], float) else f" {event['value']}"
    if not event["accepted"]:
        return f"{event['outcome'].replace('_', ' ')}{f': {meaning}?' if meaning else ''}"
    return meaning + (", hesitating" if event["hedged"] else "")


def clock(seconds: float) -> str:
    """Minutes and seconds, "4:05"."""
    return f"{round(seconds) // 60}:{round(seconds) % 60:02d}"


class Performance:
    """One exam played from clips."""

    def __init__(
        self,
        session: Session,
        ear: Ear,
        scene: Scene,
        clips: Clips,
        patient: VirtualPatient,
        telling: Telling,
        prompts: list[Samples],
        events: list[Event],
    ) -> None:
        """`prompts` and `events` grow as the session goes on: what it says, and what it tells."""
        self._session = session
        self._scene = scene
        self._clips = clips
        self._patient = patient
        self._telling = telling
        self._prompts = prompts
        self._events = events
        self._replies = 0
        self._unclear_due = False
        self._to_interject = dict(INTERJECTIONS)
        scene.push = ear.push

    def run(self) -> None:
        """The exam from its first question to its end. Raises UserError when it does not end."""
        session = self._session
        session.begin()
        reply: Reply | None = None
        while not session.over:
            if self._scene.seconds > LONGEST:
                raise UserError(f"the exam did not end within {LONGEST // 60} minutes of conversation")
            question = session.question
            assert question is not None
            self._say_prompts()
            if words := self._to_interject.pop((question.eye.value, question.step), None):
                self._scene.quiet(DIAL)
                self._interject(self._clips.named(words))
                continue
            if reply is None and (asked := self._clips.question(question)) is not None:
                self._scene.quiet(DIAL)
                self._say(asked)
            reply = reply or self._patient.reply(question)
            self._scene.quiet(max(reply.seconds, SHORTEST_REPLY))
            if session.question is not question:
                reply = None
                continue
            self._say_and_wait(self._answer(reply, question))
            # Asked again for being unclear, people say the same again; for anything else they think anew.
            taken = [event for event in self._events if event["kind"] == "heard"][-1:]
            accepted = bool(taken) and taken[0]["accepted"]
            repeat = session.question is question and not accepted and reply.meaning is not None
            reply = replace(reply, seconds=SHORTEST_REPLY) if repeat else None
        self._say_prompts()
        self._scene.quiet(0.5)

    def _interject(self, clip: Clip) -> None:
        if clip.kind == NOISE:
            self._telling.noise(clip)
            self._scene.sound(self._clips.sound(clip))
        else:
            self._say_and_wait(clip)

    def _answer(self, reply: Reply, question: Question) -> Clip:
        self._replies += 1
        if self._replies >= UNCLEAR_FIRST and (self._replies - UNCLEAR_FIRST) % UNCLEAR_EVERY == 0:
            self._unclear_due = True
        if self._unclear_due and (unclear := self._clips.unclear(reply, question)) is not None:
            self._unclear_due = False
            return unclear
        return self._clips.answer(reply, question)

    def _say(self, clip: Clip) -> None:
        self._telling.say(clip)
        self._scene.sound(self._clips.sound(clip))

    def _say_prompts(self) -> None:
        while self._prompts:
            self._scene.sound(self._prompts.pop(0), heard=False)

    def _say_and_wait(self, clip: Clip) -> None:
        """Say it, then let the room be quiet until the exam has been told of something said."""
        before = self._times_heard()
        self._say(clip)
        end = self._scene.seconds + WAITED
        while self._times_heard() == before and self._scene.seconds < end and not self._session.over:
            self._scene.quiet(CHUNK / RATE)
        self._telling.silence()

    def _times_heard(self) -> int:
        return sum(event["kind"] == "heard" for event in self._events)


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "demo",
        help="watch a whole exam of an invented patient, heard from recordings",
        description="A whole two-eye exam of an invented patient: recorded answers go through the real recogniser, "
        "the exam follows them, and the draft is put beside the patient's true error. Needs no microphone, "
        "loudspeaker or network.",
    )
    parser.add_argument("--out", metavar="DIR", type=Path, help="the exam folder to make (exams/ and the time)")
    parser.add_argument(
        "--pace", choices=("fast", "real"), default="fast", help="real: as long as an exam takes (fast)"
    )
    parser.add_argument(
        "--speak", choices=("aloud", "off"), default="off", help="aloud: let it be heard; takes real time (off)"
    )
    parser.add_argument("--voice", metavar="NAME", help="the patient's voice, one of those in demo_audio/manifest.json")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="another number, other answers (1)")
    parser.add_argument("--engine", help="the recogniser (the embedded one)")
    parser.add_argument("--model", metavar="DIR", type=Path, help="its model (the packaged one)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    from ..hearing.engines import load

    begun = time.perf_counter()
    clips = Clips.load(args.voice, args.seed)
    recogniser = load(args.engine, args.model)
    header = {
        "version": __version__,
        "start": {"patient": SCENARIO.code},
        "listen": "recording",
        "asks": "examiner",
        "engine": recogniser.name,
        "model": recogniser.model,
    }
    with ExitStack() as stack:
        aloud = open_aloud(stack) if args.speak == "aloud" else None
        pace = real_time() if aloud or args.pace == "real" else None
        folder = stack.enter_context(ExamFolder.create(args.out or default_folder(), header=header))
        shown = perform(recogniser, clips, folder, SCENARIO.patient(args.seed), sys.stdout, pace=pace, aloud=aloud)
        write_whole(folder.path / CONVERSATION, flac(shown.scene.track(), RATE))
        build_all(folder.path)
    print_comparison(sys.stdout, shown, SCENARIO)
    spent = time.perf_counter() - begun
    print(f"\nA conversation of {clock(shown.scene.seconds)}, heard in {spent:.0f} s.")
    print(f"Exam folder: {folder.path}")
    return 0


@dataclass(frozen=True)
class Shown:
    """What came of a performance."""

    scene: Scene
    telling: Telling
    prescription: Event | None


def perform(
    recogniser: Recogniser,
    clips: Clips,
    folder: ExamFolder,
    patient: VirtualPatient,
    out: IO[str],
    pace: Callable[[float], None] | None = None,
    aloud: Callable[[Samples], None] | None = None,
    watch: Callable[[Event], None] = lambda event: None,
) -> Shown:
    """Play the whole exam into `folder`, telling the conversation to `out` and each event to `watch`.

    Raises UserError, and whatever `watch` raises.
    """
    scene = Scene(pace=pace or (lambda seconds: None), aloud=aloud or (lambda samples: None))
    telling = Telling(out, scene)
    kept: list[Event] = []
    prompts: list[Samples] = []
    session = Session(
        grammars(),
        start_from_dict({"patient": SCENARIO.code}),
        folder=folder,
        watch=(telling, kept.append, watch),
        speak=speaker(prompts),
    )
    try:
        Performance(session, Ear(session, recogniser, folder), scene, clips, patient, telling, prompts, kept).run()
    finally:
        session.close()
    drafts = [event for event in kept if event["kind"] == "prescription"]
    return Shown(scene, telling, drafts[-1] if drafts else None)


def speaker(prompts: list[Samples]) -> Callable[[str], None]:
    """Renders what the assistant says into `prompts`; without a voice the demonstration goes on with text."""
    voice = Voice()
    told = False

    def speak(words: str) -> None:
        nonlocal told
        try:
            prompts.append(voice.render(words).at(RATE).samples)
        except VoiceError as error:
            if not told:
                print(f"handsfree-refraction: prompts cannot be spoken: {error}; going on with text", file=sys.stderr)
            told = True

    return speak


def print_comparison(out: IO[str], shown: Shown, scenario: Scenario) -> None:
    """The draft beside the patient's true error, eye by eye, with the distance as a power vector."""
    draft = shown.prescription
    assert draft is not None  # the exam always gives one out, however little it holds
    out.write(f"\n{'':>10}  {'draft':<32}{'true error':<24}apart\n")
    for side in SIDES:
        held = draft[side]
        sphere, cylinder, axis = getattr(scenario, side)
        truth = lens_text({"sphere": sphere, "cylinder": cylinder, "axis": axis})
        found, apart = "not examined", ""
        if held["sphere"] is not None:
            found = lens_text(held) + (f"  {held['acuity']}" if held["acuity"] else "")
            apart = f"{distance(held, scenario.truth(side)):.2f} D"
        out.write(f"{side:>10}  {found:<32}{truth:<24}{apart}\n")
    told = shown.telling
    out.write(
        f"\n{told.questions} questions put, {told.answers} answers and commands heard.\n"
        f"Answers not understood and asked again: {told.asked_again}; other sounds passed over: {told.passed_over}.\n"
    )


def distance(held: dict[str, Any], truth: PowerVector) -> float:
    """Length of the power vector between an eye of a draft and its true error, dioptres (Thibos 1997)."""
    return PowerVector.of(held["sphere"], held["cylinder"] or 0.0, held["axis"] or 180).minus(truth).blur


def real_time() -> Callable[[float], None]:
    """Holds the conversation back to the clock on the wall."""
    begun = time.monotonic()

    def pace(seconds: float) -> None:
        time.sleep(max(0.0, begun + seconds - time.monotonic()))

    return pace


def open_aloud(stack: ExitStack) -> Callable[[Samples], None]:
    """Plays what is said on the default loudspeaker. Raises UserError where there is none."""
    from ..speaking.device import open_player

    player = open_player()
    stack.callback(player.close)
    return lambda samples: player.play(Speech(samples, RATE)) if samples.any() else None

"""An invented exam as long as exams get, with all that can happen in one: sixty questions an eye, hesitation,
answers taken back, chatter, settings by command, a hostile note, cautions, near, and sounds.

Written straight as effects, so that it stays the same whatever the protocol becomes. The patient answers by
the blur of each lens against an invented error, with seeded noise.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

import numpy
from small_exam import BEGUN

from assistant.optics.lens import CrossCylinder, Lens, wrap_axis
from assistant.protocol.effects import (
    Ask,
    Effect,
    EyeResult,
    Flag,
    Prescribe,
    Recorded,
    Say,
    ShowLens,
    Status,
    StepChange,
)
from assistant.protocol.meanings import Heard, Meaning, Outcome, Speaker
from assistant.protocol.questions import AcuityQuestion, Choice, Confirm, Eye, Legible, Question, Value
from assistant.record.events import Event, Words, event
from assistant.record.folder import ExamFolder

TRUE = {Eye.RIGHT: (-3.10, -1.40, 28), Eye.LEFT: (-2.20, -0.80, 172)}
QUESTIONS = 60  # an eye
HOSTILE = (
    '</td></table><script>window.hacked = 1</script><img src=x onerror="window.hacked = 2">'
    "tired & 'dry' \u202eeyes\u0000\nsecond line <b>bold</b> http://example.invalid/leak.png"
)


class Clock:
    """Stands still until it is told to go on."""

    def __init__(self) -> None:
        self.now: datetime = BEGUN

    def __call__(self) -> datetime:
        return self.now

    def wait(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)


def voice(seconds: float, draw: Any) -> numpy.ndarray:
    """A buzz with noise, as long as an utterance: it is stored as poorly as speech is."""
    at = numpy.arange(int(seconds * 16000)) / 16000
    pitch = 110 + 30 * draw.random()
    buzz = sum(numpy.sin(2 * numpy.pi * pitch * k * at) / k for k in range(1, 8))
    swell = numpy.clip(numpy.minimum(at * 12, (at[-1] - at) * 8), 0, 1)
    return 0.08 * swell * buzz + 0.004 * draw.standard_normal(len(at))


class LongExam:
    """Writes the exam into a folder. `sounds` False leaves the recordings out."""

    def __init__(self, folder: ExamFolder, clock: Clock, sounds: bool = True, seed: int = 7) -> None:
        self._folder, self._clock, self._sounds = folder, clock, sounds
        self._random = Random(seed)
        self._noise = numpy.random.default_rng(seed)
        self._asked = 0
        self._lens = Lens(0)
        self._eye = Eye.RIGHT

    # ----------------------------------------------------------------------------------------------- writing
    def write(self, effect: Effect, words: str = "", expects: tuple[str, ...] = (), **more: Any) -> Event:
        recording = None
        if isinstance(effect, Recorded) and self._sounds and effect.heard.text:
            sound = voice(0.5 + 0.05 * len(effect.heard.text), self._noise)
            recording = self._folder.save_audio(sound, 16000)
        return self._folder.append({**event(effect, Words(words, expects), recording), **more})

    def ask(self, question: Question, words: str, attempt: int = 0) -> None:
        if not attempt:
            self._asked += 1
        self.write(Say(Speaker.EXAMINER, "ask"), words)
        self.write(Ask(question, self._asked, attempt), expects=("one", "two", "same"))
        self._clock.wait(1.2)

    def hear(self, heard: Heard, used: bool = True) -> Event:
        self._clock.wait((heard.after or 0.4) + 0.4 + 0.05 * len(heard.text))
        return self.write(Recorded(heard, used))

    def answer(self, text: str, meaning: Meaning, value: Any = None, hedged: bool = False) -> Event:
        after = round(max(0.3, self._random.gauss(2.6 if hedged else 1.1, 0.4)), 2)
        score = round(self._random.gauss(1.4 if hedged else 4.2, 0.8), 2)
        by = Speaker.PATIENT
        return self.hear(Heard(text, Outcome.HEARD, meaning, value, by, score, after, hedged))

    # --------------------------------------------------------------------------------------------- answering
    def blur(self, lens: Lens) -> float:
        from assistant.optics.power_vector import PowerVector

        return lens.vector.minus(PowerVector.of(*TRUE[self._eye])).blur

    def choice(self, step: str, first: Lens, second: Lens) -> Meaning:
        question = Choice(self._eye, step, first, second)
        self.ask(question, f"{self._eye.value} eye: one, or two.")
        self._mishear(question)
        better = self.blur(first) - self.blur(second) + self._random.gauss(0, 0.04)
        hedged = abs(better) < 0.11
        if abs(better) < 0.03:
            self.answer("about the same", Meaning.SAME)
            return Meaning.SAME
        if better > 0:
            self.answer("um, two I think" if hedged else "two", Meaning.SECOND, hedged=hedged)
            return Meaning.SECOND
        self.answer("maybe one" if hedged else "one", Meaning.FIRST, hedged=hedged)
        return Meaning.FIRST

    def _mishear(self, question: Question) -> None:
        luck = self._random.random()
        if luck < 0.05:
            self.hear(Heard("two", Outcome.DOUBTFUL, Meaning.SECOND, by=Speaker.PATIENT, score=-0.7, after=1.0), False)
        elif luck < 0.08:
            self.hear(
                Heard("is this the right eye", Outcome.NOT_UNDERSTOOD, by=Speaker.PATIENT, score=-6.0, after=2.0), False
            )
        elif luck < 0.1:
            self.hear(Heard("", Outcome.SILENCE, after=15.0), False)
        else:
            return
        self.ask(question, "I did not catch that. One, or two?", attempt=1)

    def show(self, lens: Lens) -> None:
        if lens != self._lens:
            self._lens = lens
            self.write(ShowLens(self._eye, lens))

    def acuity(self, step: str) -> str:
        self.ask(AcuityQuestion(self._eye, step, self._lens), f"{self._eye.value} eye: the smallest line?")
        blur = self.blur(self._lens)
        lines = (20, 25, 30, 40, 50, 70, 100, 150, 200, 300, 400)
        line = f"20/{min(lines, key=lambda feet: abs(feet - 18 * (1 + blur * blur)))}"
        self.answer(line, Meaning.SET_ACUITY, line)
        return line

    # ---------------------------------------------------------------------------------------------- the exam
    def run(self) -> None:
        self.write(Say(Speaker.EXAMINER, "welcome"), "Ready.")
        for of, text, meaning, value in (
            ("age", "fifty-two", Meaning.SET_AGE, 52),
            ("pd", "sixty-two", Meaning.SET_PD, 62),
        ):
            self.write(StepChange(Eye.BOTH, of, Status.BEGUN))
            self.ask(Value(Eye.BOTH, of, of), f"The {of}?")
            self.answer(text, meaning, value)
            self.write(StepChange(Eye.BOTH, of, Status.DONE))
        results = [self._one_eye(eye) for eye in (Eye.RIGHT, Eye.LEFT)]
        self._near()
        self.ask(Confirm(Eye.BOTH, "read_back", "prescription"), "Confirm, or set a dial.")
        self.hear(Heard("confirm", Outcome.HEARD, Meaning.CONFIRM, by=Speaker.EXAMINER, score=5.0, after=1.0))
        self.write(Prescribe(results[0], results[1], 62.0, True))

    def _one_eye(self, eye: Eye) -> EyeResult:
        self._eye, self._asked, self._lens = eye, 0, Lens(0)
        self.write(ShowLens(eye, self._lens))
        entering, best = "", ""
        for step, count in (
            ("entering", 1),
            ("sphere", 13),
            ("astigmatism", 4),
            ("axis", 9),
            ("power", 9),
            ("sphere_again", 7),
            ("axis_again", 5),
            ("acuity", 1),
            ("over_minus", 5),
        ):
            self.write(StepChange(eye, step, Status.BEGUN))
            for place in range(count):
                if step == "entering":
                    entering = self.acuity(step)
                elif step == "acuity":
                    best = self.acuity(step)
                elif step == "over_minus":
                    self._check(place)
                else:
                    getattr(self, f"_{step.removesuffix('_again')}")(step, place)
                if step == "sphere" and place in (6, 12):
                    best = self.acuity(step)
            self.write(StepChange(eye, step, Status.DONE))
        while self._asked < QUESTIONS - 1:
            self._sphere("sphere_again", 20)
        best = self.acuity("acuity")
        self._flags(eye)
        lens = self._lens
        return EyeResult(lens.sphere, lens.cylinder, lens.axis, 150, best, entering)

    def _sphere(self, step: str, place: int) -> None:
        size = 200 if place < 3 else 100 if place < 6 else 50 if place < 9 else 25
        if step.endswith("again"):
            size = 25
        way = -1 if place % 2 or place < 2 else 1
        self._try(step, self._lens.with_sphere(self._lens.sphere + way * size))

    def _try(self, step: str, second: Lens) -> None:
        if self.choice(step, self._lens, second) is Meaning.SECOND:
            self.show(second)
        if self._eye is Eye.RIGHT and self._asked == 8:
            self._take_back(step)
        if self._eye is Eye.RIGHT and self._asked == 12:
            self.hear(Heard(f"note {HOSTILE}", Outcome.HEARD, Meaning.NOTE, HOSTILE, Speaker.EXAMINER, 2.0, 0.5))
            self.write(Say(Speaker.EXAMINER, "noted"), "Noted.")
        if self._eye is Eye.LEFT and self._asked == 12:
            sphere = self._lens.sphere + 25
            self.hear(
                Heard("sphere, set by hand", Outcome.HEARD, Meaning.SET_SPHERE, sphere, Speaker.EXAMINER, 4.0, 0.5)
            )
            self.show(self._lens.with_sphere(sphere))

    def _take_back(self, step: str) -> None:
        """The examiner wants the last answer again; the exam puts its question once more."""
        last = self._last_choice
        before = self._lens
        self.ask(Choice(self._eye, step, before, before.with_sphere(before.sphere + 25)), "one, or two.")
        self.hear(Heard("undo", Outcome.HEARD, Meaning.UNDO, by=Speaker.EXAMINER, score=4.0, after=0.5))
        self.write(Say(Speaker.EXAMINER, "undone"), "Undone.")
        self.show(last.first)
        self._asked -= 1
        if self.choice(step, last.first, last.second) is Meaning.SECOND:
            self.show(last.second)

    @property
    def _last_choice(self) -> Choice:
        held = next(
            held for held in reversed(self._folder_events()) if held["kind"] == "question" and held["form"] == "choice"
        )
        from assistant.record.events import lens_from_dict

        one, two = (lens_from_dict(lens) for lens in held["choices"])
        return Choice(self._eye, held["step"], one, two)

    def _folder_events(self) -> tuple[Event, ...]:
        from assistant.record.folder import log_of

        return log_of(self._folder.path).events

    def _astigmatism(self, step: str, place: int) -> None:
        meridian = (180, 90, 45, 135)[place]
        self._try(step, Lens(self._lens.sphere, self._lens.cylinder or -50, meridian))

    def _axis(self, step: str, place: int) -> None:
        if not self._lens.cylinder:
            self.show(replace(self._lens, cylinder=-50))
        held = CrossCylinder(25, wrap_axis(self._lens.axis + 45))
        said = self.choice(step, self._lens.with_cross(held), self._lens.with_cross(held.flipped()))
        turn = 15 if place < 2 else 8 if place < 4 else 3
        if said in (Meaning.FIRST, Meaning.SECOND):
            self.show(self._lens.with_axis(self._lens.axis + (turn if said is Meaning.FIRST else -turn)))

    def _power(self, step: str, place: int) -> None:
        change = (-50 if place < 3 else -25) if place % 2 == 0 or place < 2 else 25
        cylinder = min(self._lens.cylinder + change, 0)
        half = round((self._lens.cylinder - cylinder) / 50) * 25
        self._try(step, Lens(self._lens.sphere + half, cylinder, self._lens.axis))

    def _check(self, place: int) -> None:
        clicks = (3, 4, 6, 5)[place] if place < 4 else -1
        lens = self._lens.with_sphere(self._lens.sphere + clicks * 25)
        if clicks < 0:
            self._try("over_minus", lens)
            return
        self.ask(Legible(self._eye, "over_minus", lens, "20/20"), "any letter on twenty twenty?")
        if self.blur(lens) < 1.0:
            self.answer("yes, just barely", Meaning.YES)
        else:
            self.answer("I can't read any of it", Meaning.NO)

    def _near(self) -> None:
        right = self._lens if self._eye is Eye.RIGHT else Lens.of(-3.0, -1.25, 28)
        self.write(StepChange(Eye.BOTH, "near", Status.BEGUN))
        for add, text, meaning in ((125, "one", Meaning.FIRST), (175, "about the same", Meaning.SAME)):
            first, second = (right.with_sphere(right.sphere + held) for held in (150, add))
            self.ask(Choice(Eye.BOTH, "near", first, second), "Both eyes, near: one, or two.")
            self.answer(text, meaning)
        self.write(StepChange(Eye.BOTH, "near", Status.DONE))

    def _flags(self, eye: Eye) -> None:
        for code, says in (
            ("over_minus", "6 clicks of plus to blur the line: the sphere goes from -3.25 to -2.50."),
            ("no_answer", "No usable answer at the step axis again: it was left as it stands."),
            ("acuity_low", "Best vision 20/50: pinhole, and consider referral."),
        ):
            self.write(Flag(code, eye, {"clicks": 6}), says)


def write_long_exam(path: Path, sounds: bool = True) -> Path:
    """The exam in a folder of its own; the folder's path."""
    clock = Clock()
    header = {"version": "0.1.0", "engine": "whisper", "start": {"patient": "K-07"}}
    with ExamFolder.create(path, clock, header) as folder:
        LongExam(folder, clock, sounds).run()
        folder.build()
    return path


def questions_an_eye(events: tuple[Event, ...]) -> Iterator[int]:
    """How many questions each eye was asked, those asked again not counted."""
    for eye in ("right", "left"):
        yield sum(held["kind"] == "question" and held["eye"] == eye and not held["attempt"] for held in events)

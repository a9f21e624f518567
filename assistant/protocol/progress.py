"""All there is to know about an exam at one moment, as one frozen value: what undo keeps and replay comes to."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from ..optics.lens import CLICK, Lens
from . import plan
from .both import BothStep
from .consistency import Answer, Answers
from .effects import Flag
from .eye import EyeState
from .meanings import Meaning
from .questions import AcuityQuestion, Choice, Eye, Legible, Question
from .start import Road
from .steps.base import Step
from .weighing import Said


@dataclass(frozen=True)
class EyeProgress:
    """One eye on its way.

    step       where it is; None: not begun, or finished
    examined   False: not to be gone through in this exam, its lens is carried over from the start
    asked      questions put, asked-again ones included
    unanswered steps in a row left without an answer
    given_up   left before its end: too many questions, or no usable answers
    ends       steps of `plan.EYE_ENDS` gone through
    answers    every answer used, in order
    checking   a pair put just now to see whether the lens is answered, and the answer it checks, if one
    doubts     codes of the flags after which its lens is not taken for its refraction
    road       how much of it is gone through
    by_hand    a dial was set by command at the end: the lens is the examiner's, and all answers together do not move it
    told       what the dials should show by the last lens told, where that is not the lens of `state`
    said       what the answers say of the eye, once that was asked for; the first `weighed` of them
    """

    state: EyeState
    step: Step | None = None
    examined: bool = True
    begun: bool = False
    finished: bool = False
    asked: int = 0
    unanswered: int = 0
    given_up: bool = False
    ends: tuple[str, ...] = ()
    answers: Answers = ()
    checking: tuple[Answer | None, Choice] | None = None
    doubts: tuple[str, ...] = ()
    road: Road = Road.FULL
    by_hand: bool = False
    told: Lens | None = None
    said: Said | None = None
    weighed: int = 0

    def line_through(self, lens: Lens) -> str | None:
        """The line last read through this lens; None: none was."""
        return next((line for read, line in self._lines() if read == lens), None)

    @property
    def through_plus(self) -> tuple[str, float] | None:
        """The line read through one dioptre of plus over the lens before the eye now, and how much it was, dioptres: a
        lens that moved a click after the check leaves it there. The nearest to one dioptre, of these the last; None:
        none was."""
        whole = plan.PLUS_CHECK / 100
        known = [(line, plus) for read, line in self._lines() if line and (plus := self._plus(read)) is not None]
        nearest = min(known, key=lambda one: abs(one[1] - whole), default=None)
        return nearest if nearest is not None and abs(nearest[1] - whole) <= CLICK / 100 else None

    def _lines(self) -> Iterator[tuple[Lens, str | None]]:
        """Every lens that a line was asked for through, but a pinhole, and the line, the last first."""
        for one in reversed(self.answers):
            if isinstance(one.question, AcuityQuestion) and one.question.step != "pinhole":
                yield one.question.lens, str(one.value) if one.meaning is Meaning.SET_ACUITY else None

    @property
    def unreadable_plus(self) -> float | None:
        """The least plus over the lens before the eye now, dioptres, through which no letter of the best line could be
        read at the last over-minus check; None: nothing was, or the cylinder is another now."""
        known: list[float] = []
        for one in reversed(self.answers):
            if isinstance(one.question, Legible) and one.question.step == "over_minus":
                plus = self._plus(one.question.lens)
                if one.meaning is not Meaning.YES and plus is not None:
                    known.append(plus)
            elif known and one.question.step != "over_minus":
                break
        return min(known, default=None)

    def _plus(self, lens: Lens) -> float | None:
        """How much plus a lens is over the one before the eye now, dioptres; None where its cylinder is another."""
        over = lens.vector.minus(self.state.lens.vector)
        return round(over.m, 3) if over.astigmatism <= CLICK / 100 else None

    @property
    def complete(self) -> bool:
        """Gone through to the end, with answers that fit together; an eye that was shown no pair was not."""
        seen = any(isinstance(answer.question, Choice) for answer in self.answers)
        return self.examined and self.finished and seen and not self.given_up and not self.doubts


@dataclass(frozen=True)
class Room:
    """What is known of the patient and the room, from the start file or said on the way; `Start` has the units."""

    age: int | None = None
    pd: float | None = None
    near_pd: float | None = None
    vertex: float | None = None
    reason: str | None = None
    red_flags: tuple[str, ...] = ()


@dataclass(frozen=True)
class Together:
    """The steps with both eyes.

    step    where they are
    done    steps of `plan.BOTH_EYES` gone through or passed over
    wanted  steps asked for by command
    tentative  the add was not refined to its end
    limited    more add was preferred up to where choices may take it
    balanced   the balance was begun
    on_dials   the add that is on the sphere dials now, hundredths
    """

    step: BothStep | None = None
    done: tuple[str, ...] = ()
    wanted: frozenset[str] = frozenset()
    add: int | None = None
    tentative: bool = False
    limited: bool = False
    intermediate: int | None = None
    acuity: str | None = None
    near_acuity: str | None = None
    balanced: bool = False
    on_dials: int = 0


@dataclass(frozen=True)
class State:
    """An exam at one moment.

    setting_up   ids still to be asked before the first eye
    tries        unusable utterances since the question was put; `unclear`, those outside the grammar in a row
    dials        what the dials of the eye that is on show by what was said, a cross cylinder with them; None: nothing
                 was said of them yet
    pinhole      a pinhole was asked for, and nobody has said to take it out
    raised       cautions given out at the end so far
    doubted      an age or a PD told once that hardly anybody has: what it is, and its years or millimetres
    power_by     the cylinder's power by "dial" steps or by "cross" cylinder
    """

    right: EyeProgress
    left: EyeProgress
    eye: Eye = Eye.RIGHT
    setting_up: tuple[str, ...] = ()
    question: Question | None = None
    tries: int = 0
    unclear: int = 0
    paused: bool = False
    closing: bool = False
    over: bool = False
    confirmed: bool = False
    dials: Lens | None = None
    pinhole: bool = False
    room: Room = field(default_factory=Room)
    together: Together = field(default_factory=Together)
    raised: tuple[Flag, ...] = ()
    power_by: str = "dial"
    doubted: tuple[Meaning, int | float] | None = None

    @property
    def pd(self) -> float | None:
        return self.room.pd

    @property
    def age(self) -> int | None:
        return self.room.age

    def of(self, eye: Eye) -> EyeProgress:
        return self.left if eye is Eye.LEFT else self.right

    def put(self, progress: EyeProgress) -> State:
        if progress.state.eye is Eye.RIGHT:
            return replace(self, right=progress)
        return replace(self, left=progress)

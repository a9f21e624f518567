"""`practice`: a trainee refracts a virtual patient by hand, then sees what the eye needed."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable
from random import SystemRandom
from typing import IO, TYPE_CHECKING, Final

from ..errors import UserError
from ..optics.acuity import LINES, Acuity, AcuityError
from ..optics.lens import CrossCylinder, Lens, wrap_axis
from ..optics.power_vector import PowerVector
from ..patients.cohort import POPULATIONS, Cohort, EyeRecord, draw_patient, exam_of
from ..patients.patient import HOSTILE, KINDS, Reply, VirtualPatient
from ..protocol.meanings import Meaning, Outcome
from ..protocol.questions import AcuityQuestion, Choice, Eye, Legible, Question
from ..record.events import lens_to_dict
from ..watching import lens_text

if TYPE_CHECKING:
    from ..grammar import Grammar

CROSS_POWER: Final = 25  # hundredths of a dioptre: the ±0.25 D cross cylinder
CLOSE: Final = 0.25  # D, in which four of five pairs of examiners agree (Goss & Grosvenor 1996)
FAIR: Final = 0.50  # D, in which nineteen of twenty do (the same)
PEOPLE: Final = tuple(name for name in KINDS if name not in HOSTILE)

HELP: Final = """\
  sphere -1.25 · cylinder -0.50 · axis 90    turn a dial (each -0.50 of cylinder wants +0.25 of sphere)
  or sphere -1.50                            ask "one, or two?": the lens as it is, or so
  two                                        take the second lens
  cross axis · cross power                   flip the cross cylinder astride the axis, or along it
  read · line 20/25                          the smallest line read; any letter of a line?
  undo · read back · finish · help"""


class Practice:
    """One eye refracted by typed lines. `say` takes a line and returns what is to be shown."""

    def __init__(self, grammar: Grammar, patient: VirtualPatient, eye: Eye) -> None:
        self.lens = Lens(0)
        self.questions = 0
        self.over = False
        self._grammar = grammar
        self._patient = patient
        self.eye = eye
        self._second: Lens | None = None  # what "two" was, in the pair last asked
        self._before: list[Lens] = []

    def say(self, text: str) -> list[str]:
        """Carry out one line of the trainee's."""
        words = text.lower().split()
        if not words:
            return []
        if words == ["help"]:
            return [HELP]
        if words == ["two"]:
            return self._take_two()
        if words == ["read"]:
            return self._ask(AcuityQuestion(self.eye, "practice", self.lens))
        if words[0] == "line" and len(words) == 2:
            return self._line(words[1])
        if words == ["cross", "axis"]:
            return self._cross(45)
        if words == ["cross", "power"]:
            return self._cross(0)
        if words[0] == "or" and len(words) > 1:
            return self._turn(" ".join(words[1:]), self._compare)
        return self._turn(text, self._set)

    # -- lines

    def _turn(self, text: str, then: Callable[[Lens], list[str]]) -> list[str]:
        """What `then` makes of the lens with a dial turned as the text says; other commands are carried
        out."""
        parsed = self._grammar.parse(text)
        if parsed is None:
            return ['not understood (powers need their sign); "help" shows what can be typed']
        if parsed.outcome is Outcome.OUT_OF_RANGE:
            return [f"the dial has {parsed.allowed}"]
        value = parsed.value
        if isinstance(value, int):
            if parsed.meaning is Meaning.SET_SPHERE:
                return then(self.lens.with_sphere(value))
            if parsed.meaning is Meaning.SET_CYLINDER:
                return then(self.lens.with_cylinder(value))
            if parsed.meaning is Meaning.SET_AXIS:
                return then(self.lens.with_axis(value))
        if parsed.meaning is Meaning.UNDO:
            return self._undo()
        if parsed.meaning is Meaning.READ_BACK:
            return [self._dials()]
        if parsed.meaning is Meaning.FINISH:
            self.over = True
            return []
        return ['that has no use here; "help" shows what can be typed']

    def _set(self, lens: Lens) -> list[str]:
        self._before.append(self.lens)
        self.lens, self._second = lens, None
        return [self._dials()]

    def _undo(self) -> list[str]:
        if not self._before:
            return ["there is nothing to undo"]
        self.lens, self._second = self._before.pop(), None
        return [self._dials()]

    def _take_two(self) -> list[str]:
        if self._second is None:
            return ['there is no second lens: ask for one, such as "or sphere -0.50"']
        return self._set(self._second)

    def _compare(self, second: Lens) -> list[str]:
        self._second = second
        return self._ask(Choice(self.eye, "practice", self.lens, second))

    def _cross(self, off: int) -> list[str]:
        cross = CrossCylinder(CROSS_POWER, wrap_axis(self.lens.axis + off))
        flipped = cross.flipped()
        self._second = None
        asked = Choice(self.eye, "practice", self.lens.with_cross(cross), self.lens.with_cross(flipped))
        return [
            f"one: minus mark at {cross.minus_axis:03d}; two: at {flipped.minus_axis:03d}",
            *self._ask(asked),
        ]

    def _line(self, text: str) -> list[str]:
        try:
            line = Acuity.parse(text).line.snellen_feet
        except AcuityError:
            return [f"{text} is no line; the chart has {', '.join(str(one) for one in LINES)}"]
        return self._ask(Legible(self.eye, "practice", self.lens, line))

    def _ask(self, question: Question) -> list[str]:
        self.questions += 1
        reply: Reply = self._patient.reply(question)
        return [f"patient: {reply.text or '(silence)'}"]

    def _dials(self) -> str:
        return f"dials: {lens_text(lens_to_dict(self.lens))}" + (
            f" (axis dial at {self.lens.axis:03d})" if not self.lens.cylinder else ""
        )


def verdict(practice: Practice, cohort: Cohort) -> list[str]:
    """The truth beside the trainee's lens, and how the assistant does with the same patient."""
    patient, _ = draw_patient(cohort, 0)
    needed = patient.eye(practice.eye).correction
    error = practice.lens.vector.minus(needed)
    lines = [
        f"needed    {_written(needed)}",
        f"you have  {lens_text(lens_to_dict(practice.lens))}",
        f"off by    M {error.m:+.2f}, J0 {error.j0:+.2f}, J45 {error.j45:+.2f}: {error.blur:.2f} D as a power vector, "
        f"{_judged(error)}",
    ]
    record: EyeRecord = next(eye for eye in exam_of(cohort, 0).eyes if eye.side is practice.eye)
    off = "left it open" if record.error is None else f"ended {record.error.blur:.2f} D off"
    lines.append(f"questions {practice.questions}; the assistant asked this patient {record.questions} and {off}")
    return lines


def _written(vector: PowerVector) -> str:
    sphere, cylinder, axis = vector.sphero_cylinder()
    return f"{sphere:+.2f} {cylinder:+.2f} x {round(axis) or 180:03d}"


def _judged(error: PowerVector) -> str:
    if error.blur <= CLOSE:
        return f"within {CLOSE:.2f} D"
    if error.m < -CLOSE:
        return "too much minus: did plus come first?"
    if error.m > CLOSE:
        return "too much plus: would another click of minus have earned a letter?"
    return f"within {FAIR:.2f} D" if error.blur <= FAIR else "look at the cylinder and its axis again"


# -- the command


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "practice",
        help="refract a virtual patient, then see the truth",
        description="Turn the dials and ask a virtual patient by typing; at the end see what the eye needed.",
        epilog=f"What can be typed:\n{HELP}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--kind", choices=PEOPLE, default="typical", help="how the patient answers (typical)")
    parser.add_argument("--population", choices=tuple(POPULATIONS), default="clinic", help="whose eyes (clinic)")
    parser.add_argument("--eye", choices=("right", "left"), default="right", help="the eye to refract (right)")
    parser.add_argument("--seed", type=int, help="the same patient again (a new one)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Practise at the terminal; the end of input finishes."""
    from ..grammar import listening_for
    from .hear import grammars

    seed = args.seed if args.seed is not None else SystemRandom().randrange(1_000_000)
    cohort = Cohort(args.kind, args.population, seed)
    patient, _ = draw_patient(cohort, 0)
    practice = Practice(grammars().union(*listening_for(None)), patient, Eye(args.eye))
    print(f"A {args.kind} patient of {patient.age}, {args.eye} eye, from plano. A model, not a person.\n{HELP}")
    try:
        _converse(practice, sys.stdin, sys.stdout)
    except UnicodeDecodeError:
        raise UserError("the input is not text: type, or feed lines in UTF-8") from None
    print("\n".join(["", *verdict(practice, cohort), f"the same patient again: --seed {seed}"]))
    return 0


def _converse(practice: Practice, lines: Iterable[str], out: IO[str]) -> None:
    def prompt() -> None:
        if sys.stdin.isatty():
            out.write("> ")
        out.flush()

    prompt()
    for line in lines:
        for answer in practice.say(line):
            out.write(f"{answer}\n")
        if practice.over:
            return
        prompt()

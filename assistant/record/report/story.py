"""What the log tells, put in the order a reader asks: for each eye its questions, answers and lenses.

Everything comes from the log's events alone. Keys and kinds that are not known here are never an error: a
log may be written by a later version.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from ...optics.acuity import Acuity, AcuityError
from ...optics.lens import CLICK, Lens
from ...optics.power_vector import PowerVector
from ...optics.transpose import signed, written
from ..events import Event, EventError, lens_from_dict
from ..log import Log, moment
from ..prescription import clinical, last_prescription, signature_in_force

EYES = ("right", "left", "both")
CHOICE_SIDES = {"first": "one", "second": "two", "same": "the same", "unsure": "can't tell"}
MEANINGS = {
    **CHOICE_SIDES,
    "again": "show it again",
    "question": "examiner's question",
    "set_pd": "PD",
    "set_acuity": "vision",
    "read_back": "read back",
    "switch_eye": "other eye",
}
STEPS = {
    "entering": "entering acuity",
    "axis_again": "axis again",
    "power": "cylinder power",
    "power_again": "power again",
    "sphere_again": "sphere again",
    "over_minus": "over-minus check",
    "read_back": "read-back",
    "acuity": "best acuity",
    "unaided": "unaided acuity",
    "cylinder_check": "cylinder check",
    "settle": "what is open",
    "plus_check": "through plus",
    "acuity_both": "acuity, both eyes",
    "near": "near addition",
    "near_acuity": "near acuity",
    "red_flags": "warning signs",
    "repeat_reversed": "pair reversed",
    "control": "control pair",
    "pd": "PD",
}
_ANSWERS = {
    "choice": frozenset(CHOICE_SIDES),
    "legible": frozenset({"yes", "no", "unsure"}),
    "acuity": frozenset({"set_acuity", "no", "unsure"}),
    "confirm": frozenset({"confirm", "yes"}),
}
# Commands that move the exam on, and what is talk or asking to see it again: no answers to an unknown form.
_COMMANDS = frozenset(
    [
        "again",
        "question",
        "undo",
        "repeat",
        "read_back",
        "next",
        "skip",
        "pause",
        "resume",
        "switch_eye",
        "finish",
        "note",
        "why",
    ]
)
_POWERS = frozenset({"set_sphere", "set_cylinder", "set_add"})
_SAME_QUESTION = ("eye", "step", "form", "choices", "lens", "line", "of", "what")
APART = ("entering", "unaided", "pinhole")
PLUS = "plus"
# Astigmatism below this has no axis worth drawing, dioptres of cylinder (design; the dials' click is 0.25).
NO_AXIS_BELOW = 0.12


def lens_or_none(held: object) -> Lens | None:
    """The lens of a contract dict; None where it is none."""
    if not isinstance(held, Mapping):
        return None
    try:
        return lens_from_dict(held)
    except EventError:
        return None


def logmar_or_none(line: object) -> float | None:
    """The logMAR of a line as written; None where it is none."""
    try:
        return Acuity.parse(str(line)).logmar
    except AcuityError:
        return None


def effective(lens: Lens) -> tuple[float, float, float]:
    """(sphere, cylinder, axis) of all that stands before the eye, the cross cylinder included."""
    return lens.vector.sphero_cylinder()


def step_name(step: object) -> str:
    """A step's id as a person reads it."""
    text = str(step)
    return STEPS.get(text, text.replace("_", " "))


def meaning_text(event: Event) -> str:
    """What an utterance was understood as, in the trade's words: "two", "sphere -1.25", "axis 090"."""
    meaning = event.get("meaning")
    if meaning is None:
        return ""
    text = MEANINGS.get(str(meaning), str(meaning).removeprefix("set_").replace("_", " "))
    value = event.get("value")
    if value is None or meaning == "note":
        return text
    if meaning == "switch_eye":
        return f"{value} eye"
    return f"{text} {value_text(str(meaning), value)}"


def value_text(meaning: str, value: object) -> str:
    """A value as the trade writes it: powers signed with two places, axes with three digits."""
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        if meaning in _POWERS:
            return f"{value:+.2f}"
        if meaning == "set_axis":
            return f"{int(value):03d}"
        return f"{value:g} mm" if meaning == "set_pd" else f"{value:g}"
    return str(value)


def lens_text(lens: Lens) -> str:
    """A lens as it is written, with its cross cylinder where one is held before it."""
    text = written(lens)
    if lens.cross is None:
        return text
    return f"{text} with ±{lens.cross.power / 100:.2f} cross cylinder, minus mark at {lens.cross.minus_axis:03d}"


def pair_text(one: Lens, two: Lens) -> str:
    """A pair as one says it: the lens only once where just the cross cylinder is flipped before it."""
    if one.cross is None or two.cross is None or one.with_cross(None) != two.with_cross(None):
        return f"one {lens_text(one)} · two {lens_text(two)}"
    return (
        f"{written(one)}, ±{one.cross.power / 100:.2f} cross cylinder, minus mark at: "
        f"one {one.cross.minus_axis:03d} · two {two.cross.minus_axis:03d}"
    )


@dataclass
class Asked:
    """One question of one eye with all that came of it: a column of the pictures.

    place     its number within the eye, from 1 (a question asked again counts once)
    standing  the lens on the dials when it was put, without cross cylinder
    lenses    the two lenses of a choice, the one lens of a reading, or none
    asks      how often it was put
    misses    utterances that did not answer it
    answer    the `heard` event that did, or None
    set_after  settings by command heard while it stood, in order
    undone    its answer was taken back
    amended   the amendment that stands for its answer, or None
    left      the lens on the dials as its step ended, where this was the step's last question
    """

    seq: int
    eye: str
    step: str
    form: str
    place: int
    event: Event
    standing: Lens | None
    lenses: tuple[Lens, ...]
    asks: int = 1
    misses: list[Event] = field(default_factory=list)
    set_after: list[Event] = field(default_factory=list)
    answer: Event | None = None
    undone: bool = False
    amended: Event | None = None
    left: Lens | None = None

    @property
    def meaning(self) -> str | None:
        """The answer the exam went by."""
        return None if self.answer is None else str(self.answer.get("meaning"))

    @property
    def hedged(self) -> bool:
        return self.answer is not None and bool(self.answer.get("hedged"))

    @property
    def asked_again(self) -> bool:
        return self.asks > 1

    @property
    def asked_often(self) -> str:
        return "asked twice" if self.asks == 2 else f"asked {self.asks} times"

    @property
    def after(self) -> float | None:
        """Seconds from the question to the answer."""
        held = None if self.answer is None else self.answer.get("after")
        return float(held) if isinstance(held, (int, float)) and not isinstance(held, bool) else None

    @property
    def line(self) -> int:
        """The event of the conversation to look at: the answer, or else the question."""
        return self.seq if self.answer is None else int(self.answer["seq"])

    @property
    def line_read(self) -> str | None:
        """The line read, for an acuity question that was answered with one."""
        if self.meaning != "set_acuity" or self.answer is None:
            return None
        return str(self.answer.get("value"))

    @property
    def offered(self) -> tuple[str, ...]:
        """What was asked, in words: two for a choice, one for anything else."""
        if self.form == "choice" and len(self.lenses) == 2:
            return tuple(lens_text(lens) for lens in self.lenses)
        if self.form == "legible" and self.lenses:
            return (f"any letter of {self.event.get('line')} through {lens_text(self.lenses[0])}",)
        if self.form == "acuity" and self.lenses:
            return (f"smallest line through {lens_text(self.lenses[0])}",)
        if self.form == "value":
            return (step_name(self.event.get("of", self.step)),)
        if self.form == "confirm":
            return (f"confirm the {self.event.get('what', 'reading')}",)
        rest = {
            key: held
            for key, held in self.event.items()
            if key in ("choices", "lens", "line", "of", "what") and held is not None
        }
        return (", ".join(f"{key} {plain_text(held)}" for key, held in rest.items()) or self.form,)

    @property
    def answered(self) -> str:
        """The answer in words, with what was unusual about it."""
        if self.answer is None:
            return "no answer"
        parts = [meaning_text(self.answer)]
        if self.hedged:
            parts.append("hesitant")
        if self.asked_again:
            parts.append(self.asked_often)
        if self.after is not None:
            parts.append(f"after {self.after:.1f} s")
        if self.undone:
            parts.append("taken back")
        if self.amended is not None:
            parts.append(f"corrected later to {meaning_text(self.amended)}")
        return ", ".join(parts)

    @property
    def told(self) -> str:
        """The whole column in one sentence."""
        offered = self.offered
        asked = f"one {offered[0]}; two {offered[1]}" if len(offered) == 2 else offered[0]
        return f"Question {self.place}, {step_name(self.step)}: {asked}. Answer: {self.answered}."


@dataclass(frozen=True)
class Band:
    """A step of an eye's exam: `first` to `last` are places of its questions."""

    step: str
    first: int
    last: int


@dataclass
class EyeStory:
    """One eye: its questions in order, the lens it began and ended with, its steps."""

    eye: str
    asked: list[Asked] = field(default_factory=list)
    began: Lens | None = None
    ended: Lens | None = None

    @property
    def bands(self) -> list[Band]:
        found: list[Band] = []
        for held in self.asked:
            if found and found[-1].step == held.step:
                found[-1] = Band(held.step, found[-1].first, held.place)
            else:
                found.append(Band(held.step, held.place, held.place))
        return found

    def standing(self) -> Iterator[tuple[Asked, Lens, Lens]]:
        """Each question with the lens that stood when it was put, and the one that stood after it."""
        for place, held in enumerate(self.asked):
            if held.standing is None:
                continue
            following = self.asked[place + 1].standing if place + 1 < len(self.asked) else self.ended
            yield held, held.standing, following or held.standing

    def count(self, meaning: str) -> int:
        return sum(held.meaning == meaning and not held.undone for held in self.asked)

    @property
    def gist(self) -> str:
        """The eye's exam in a sentence."""
        asked = len(self.asked)
        parts = [f"{asked} question{'' if asked == 1 else 's'}"]
        for number, what in (
            (sum(held.hedged for held in self.asked), "answered with hesitation"),
            (sum(held.asked_again for held in self.asked), "asked again"),
            (sum(held.undone for held in self.asked), "taken back"),
            (sum(held.amended is not None for held in self.asked), "corrected in review"),
        ):
            if number:
                parts.append(f"{number} {what}")
        text = ", ".join(parts)
        if self.began is not None and self.ended is not None:
            text += f"; from {written(self.began)} to {written(self.ended)}"
        return text + "."


@dataclass(frozen=True)
class Reading:
    """A line read through a lens; `line` None where no line could be read. `apart` names a reading that was
    not through the lens alone ("pinhole", "unaided", "plus") or came before any was moved ("entering").
    """

    place: int
    seq: int
    lens: Lens
    line: str | None
    logmar: float | None
    apart: str = ""


@dataclass(frozen=True)
class Click:
    """One test of the over-minus check, in clicks of plus from the sphere it began with.

    read      a letter was read; None for a pair
    clicks    of the lens tested (of a pair: the first lens and the second)
    meaning   the answer of a pair
    """

    place: int
    seq: int
    clicks: tuple[int, ...]
    read: bool | None
    meaning: str | None
    hedged: bool
    line: str


@dataclass(frozen=True)
class OverMinus:
    """The last over-minus check of an eye. `base` and `ended` are the spheres it began and ended with, in hundredths
    of a dioptre; `ended` None where it was broken off."""

    base: int
    ended: int | None
    clicks: tuple[Click, ...]
    earlier: int  # checks before this one

    @property
    def readable(self) -> int | None:
        """Most clicks at which a letter was read."""
        return max((click.clicks[0] for click in self.clicks if click.read), default=None)

    @property
    def unreadable(self) -> int | None:
        """Fewest clicks at which none was."""
        return min((click.clicks[0] for click in self.clicks if click.read is False), default=None)

    @property
    def said(self) -> str:
        parts = []
        if self.unreadable is not None:
            many = f"{self.unreadable} click{'' if self.unreadable == 1 else 's'} of plus"
            parts.append(f"No letter could be read from {many} ({self.unreadable * 0.25:+.2f} D) on")
        elif self.readable is not None:
            parts.append(f"A letter was still read with {self.readable} clicks of plus")
        if self.ended is None:
            parts.append("the check was broken off")
        elif self.ended != self.base:
            parts.append(f"the sphere went from {signed(self.base)} to {signed(self.ended)}")
        else:
            parts.append(f"the sphere stayed at {signed(self.base)}")
        text = "; ".join(parts) + "."
        return text[0].upper() + text[1:]


def readings(eye: EyeStory) -> list[Reading]:
    """Every line read (or not) by an eye, in order, those taken back left out."""
    found = []
    for held in eye.asked:
        if held.form != "acuity" or not held.lenses or held.undone or held.answer is None:
            continue
        line = held.line_read
        if line is None and held.meaning != "no":
            continue
        found.append(
            Reading(
                held.place,
                held.line,
                held.lenses[0],
                line,
                None if line is None else logmar_or_none(line),
                held.step if held.step in APART else PLUS if _through_plus(held) else "",
            )
        )
    return found


def _through_plus(held: Asked) -> bool:
    """Whether plus was added over the lens for this reading alone."""
    return held.step in ("settle", "plus_check") and held.standing is not None and held.lenses[0] != held.standing


def over_minus(eye: EyeStory) -> OverMinus | None:
    """The last over-minus check of an eye; None where there was none."""
    runs: list[list[Asked]] = [[]]
    for held in eye.asked:
        if held.undone:
            continue
        if held.step != "over_minus":
            if held.answer is not None and runs[-1]:  # one that was not answered may have been left by undo
                runs.append([])
        elif held.standing is not None:
            runs[-1].append(held)
    runs = [run for run in runs if any(held.form == "legible" and held.answer for held in run)]
    if not runs:
        return None
    run = runs[-1]
    assert run[0].standing is not None
    base = run[0].standing.sphere
    clicks = []
    for held in run:
        if held.answer is None or not held.lenses or held.form not in ("legible", "choice"):
            continue
        away = tuple(round((lens.sphere - base) / CLICK) for lens in held.lenses)
        read = held.meaning == "yes" if held.form == "legible" else None
        clicks.append(
            Click(
                held.place,
                held.line,
                away,
                read,
                None if held.form == "legible" else held.meaning,
                held.hedged,
                str(held.event.get("line", "")),
            )
        )
    left = next((held.left for held in reversed(run) if held.left is not None), None)
    return OverMinus(base, None if left is None else left.sphere, tuple(clicks), len(runs) - 1)


def vectors(held: Asked) -> tuple[PowerVector, ...]:
    """The power vectors of a question's lenses, cross cylinders included."""
    return tuple(lens.vector for lens in held.lenses)


@dataclass(frozen=True)
class Story:
    """The whole exam, ready to be shown."""

    log: Log
    seconds: tuple[float, ...]  # since the first event, by seq
    eyes: dict[str, EyeStory]
    prescription: Event | None
    signature: Event | None
    corrections: dict[int, Event]  # the amendment that stands, by the seq of what it amends
    undone: frozenset[int]  # hearings whose effect was taken back

    @property
    def last(self) -> int:
        """The last event of the exam itself: what comes after it was added in review, perhaps days later."""
        held = (event["seq"] for event in reversed(self.log.events) if _of_exam(event))
        return next(held, 0)

    @property
    def length(self) -> float:
        """Seconds from the first event to the last one of the exam itself."""
        return self.seconds[min(max(self.last, 0), len(self.seconds) - 1)] if self.seconds else 0.0

    @property
    def start(self) -> Mapping[str, Any]:
        held = self.log.header.get("start")
        return held if isinstance(held, Mapping) else {}

    def of_kind(self, kind: str) -> Iterator[Event]:
        return (held for held in self.log.events if held["kind"] == kind)

    def recorded(self) -> dict[str, Any]:
        """Of the prescription, what stands beside the two eyes: PD, vertex distance, whatever was added."""
        if self.prescription is None:
            return {}
        apart = ("right", "left", "confirmed", "by_hand")
        return {key: held for key, held in clinical(self.prescription).items() if key not in apart}


def _of_exam(event: Event) -> bool:
    """Whether the exam wrote it, not someone who reviewed it."""
    kind = event["kind"]
    return kind in ("prompt", "question", "lens", "step") or (kind == "heard" and "amends" not in event)


def tell(log: Log) -> Story:
    """Read a log's events into a story."""
    corrections = {held["amends"]: held for held in log.of_kind("heard") if isinstance(held.get("amends"), int)}
    reader = _Reader(corrections)
    for held in log.events:
        reader.read(held)
    return Story(
        log,
        _seconds(log),
        {eye: story for eye, story in reader.eyes.items() if story.asked or story.began is not None},
        last_prescription(log.events),
        signature_in_force(log.events),
        corrections,
        frozenset(reader.undone),
    )


def _seconds(log: Log) -> tuple[float, ...]:
    """Seconds since the first event; a time that cannot be read counts as the one before it."""
    begun, found = None, 0.0
    all_seconds = []
    for held in log.events:
        try:
            now = moment(held)
            begun = begun or now
            found = max(found, (now - begun).total_seconds())
        except (KeyError, ValueError, TypeError, AttributeError):
            pass
        all_seconds.append(found)
    return tuple(all_seconds)


class _Reader:
    """Goes through the events once, keeping the place."""

    def __init__(self, corrections: dict[int, Event]) -> None:
        self.eyes: dict[str, EyeStory] = {eye: EyeStory(eye) for eye in EYES}
        self.undone: set[int] = set()
        self._corrections = corrections
        self._on: Asked | None = None  # the question that stands
        self._answered: list[Asked] = []  # answered and not taken back, in order
        self._undoing: Event | None = None
        self._missed = False  # an utterance since the question was put did not answer it

    def _eye(self, held: Event) -> EyeStory:
        name = str(held.get("eye", "both"))
        return self.eyes.setdefault(name, EyeStory(name))

    def read(self, held: Event) -> None:
        match held["kind"]:
            case "lens":
                lens = lens_or_none(held)
                if lens is not None:
                    eye = self._eye(held)
                    lens = lens.with_cross(None)
                    eye.began = eye.began or lens
                    eye.ended = lens
            case "step" if held.get("status") != "begun":
                eye = self._eye(held)
                last = next((asked for asked in reversed(eye.asked) if asked.step == held.get("step")), None)
                if last is not None and last.left is None:  # else it was passed over this time
                    last.left = eye.ended
            case "question":
                self._question(held)
            case "heard" if "amends" not in held:
                self._heard(held)

    def _question(self, held: Event) -> None:
        undoing, self._undoing = self._undoing, None
        if undoing is not None:
            self._take_back(held)
        on = self._on
        if on is not None and on.answer is None and _same(on.event, held):
            if self._missed or held.get("attempt"):  # else it only came back after a command
                on.asks += 1
            self._missed = False
            return
        self._missed = False
        eye = self._eye(held)
        choices = held.get("choices")
        offered = choices if isinstance(choices, (list, tuple)) else [held.get("lens")]
        lenses = tuple(lens for lens in map(lens_or_none, offered) if lens is not None)
        asked = Asked(
            held["seq"],
            eye.eye,
            str(held.get("step", "")),
            str(held.get("form", "")),
            len(eye.asked) + 1,
            held,
            eye.ended,
            lenses,
        )
        eye.asked.append(asked)
        self._on = asked

    def _take_back(self, question: Event) -> None:
        """An *undo* puts the question again whose answer it takes back: that tells which it was."""
        if self._answered and _same(self._answered[-1].event, question):
            gone = self._answered.pop()
            gone.undone = True
            self.undone.add(gone.line)

    def _heard(self, held: Event) -> None:
        on, meaning = self._on, held.get("meaning")
        if meaning == "undo" and held.get("used"):
            self._undoing = held
            return
        if on is None or on.answer is not None:
            return
        if held.get("used") and _answers(on, meaning):
            on.answer = held
            on.amended = self._corrections.get(held["seq"])
            self._answered.append(on)
        elif held.get("used") and str(meaning).startswith("set_"):
            on.set_after.append(held)
        elif not held.get("accepted") or meaning in ("again", "repeat"):
            on.misses.append(held)
            self._missed = True


def _answers(asked: Asked, meaning: object) -> bool:
    if asked.form == "value":
        return meaning in (f"set_{asked.event.get('of')}", "skip", "unsure", "yes", "no")
    if asked.form in _ANSWERS:
        return meaning in _ANSWERS[asked.form]
    return meaning is not None and meaning not in _COMMANDS


def _same(one: Event, other: Event) -> bool:
    return all(one.get(key) == other.get(key) for key in _SAME_QUESTION)


def plain_text(value: object) -> str:
    """Any JSON value as a person can read it, for keys this page does not know."""
    lens = lens_or_none(value)
    if lens is not None:
        return lens_text(lens)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if value is None:
        return "none"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, Mapping):
        return ", ".join(f"{str(key).replace('_', ' ')} {plain_text(held)}" for key, held in value.items())
    if isinstance(value, (list, tuple)):
        return " to ".join(map(plain_text, value)) if len(value) == 2 else ", ".join(map(plain_text, value))
    return str(value)

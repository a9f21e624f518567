"""The assistant's own words: every prompt, question and caution, from the exam's effects.

One short breath each. Powers are spoken digit by digit with their sign, so that no number can be taken for another;
an axis is spoken as examiners say it ("one seventy-five"). The lens before the patient is always "one", the new one
always "two" (common practice, no source).

Lenses are spoken as the dials show them: `head` is the refractor head at hand, minus cylinder unless told otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import cast

from ..optics.lens import CLICK, Lens, wrap_axis
from ..optics.transpose import written
from ..protocol import plan
from ..protocol.effects import Ask, Effect, EyeResult, Flag, Prescribe, Say
from ..protocol.instrument import MINUS_HEAD, Instrument, Shown
from ..protocol.questions import AcuityQuestion, Choice, Confirm, Eye, Legible, Question, Value
from .normalise import DIGITS, TEENS, TENS

_COUNTED_MOST = 100  # D/100: nobody counts more clicks than four, the dial's figure is set (design)

Facts = Mapping[str, object]


def count(number: int) -> str:
    """A whole number from 0 to 999 in words."""
    if number < 10:
        return DIGITS[number]
    if number < 20:
        return TEENS[number - 10]
    if number >= 100:
        hundreds, rest = divmod(number, 100)
        return f"{DIGITS[hundreds]} hundred" + (f" {count(rest)}" if rest else "")
    tens, ones = divmod(number, 10)
    return TENS[tens] + (f"-{DIGITS[ones]}" if ones else "")


def _sphere_turn(before: int, after: int) -> str:
    """How the sphere dial goes from one power to another (D/100): by clicks and where they end, or straight there."""
    change = after - before
    by = f", {clicks(change)}," if abs(change) <= _COUNTED_MOST else ""
    return f"sphere{by} to {power(after)}"


def power(hundredths: int) -> str:
    """A power with its sign, digit by digit: -225 -> "minus two point two five"; 0 -> "zero"."""
    if hundredths == 0:
        return "zero"
    whole, part = divmod(abs(hundredths), 100)
    sign = "minus" if hundredths < 0 else "plus"
    return f"{sign} {count(whole)} point {DIGITS[part // 10]} {DIGITS[part % 10]}"


def axis(degrees: int) -> str:
    """An axis as examiners say it: 175 -> "one seventy-five", 105 -> "one oh five", 5 -> "five"."""
    if degrees < 100:
        return count(degrees)
    rest = degrees - 100
    if rest == 0:
        return "one hundred"
    return f"one oh {DIGITS[rest]}" if rest < 10 else f"one {count(rest)}"


def line(snellen: str) -> str:
    """A chart line as it is read: "20/25" -> "twenty twenty-five", "20/150" -> "twenty one fifty"."""
    head, _, missed = snellen.partition("-")
    feet = int(head.split("/")[1].split("+")[0])
    hundreds, rest = divmod(feet, 100)
    words = f"{count(hundreds)} {count(rest) if rest else 'hundred'}" if hundreds else count(rest)
    return f"twenty {words}" + (f", minus {count(int(missed))}" if missed.isdigit() else "")


def lens(value: Shown) -> str:
    """A lens read aloud: sphere, then cylinder and axis where there is a cylinder."""
    words = f"sphere {power(value.sphere)}"
    if value.cylinder:
        words += f", cylinder {power(value.cylinder)}, axis {axis(value.axis)}"
    return words


def clicks(change: int) -> str:
    """A change of a dial in clicks: -50 -> "two clicks of minus"."""
    number = abs(change) // CLICK
    side = "minus" if change < 0 else "plus"
    return f"{count(number)} click{'s' if number != 1 else ''} of {side}"


def _eye(eye: object) -> str:
    return {Eye.RIGHT: "Right eye", Eye.LEFT: "Left eye", Eye.BOTH: "Both eyes"}[cast(Eye, eye)]


# ------------------------------------------------------------------------------------------------- questions
_AGAIN: Mapping[str, tuple[str, str]] = {
    "choice": (
        "I did not catch that. One, or two?",
        "Once more: is one clearer, is two, or are they the same?",
    ),
    "legible": ("I did not catch that. Yes, or no?", "Once more: can any letter be read, yes or no?"),
    "acuity": ("I did not catch that. Which line?", "Once more: the line, such as twenty thirty, or none."),
    "value": ("I did not catch that. The number?", "Once more: the number, or skip."),
    "reason": ("I did not catch that. Say reason, and the words.", "Once more: reason, and the words; or skip."),
    "red_flags": ("I did not catch that. Which of them, or none?", "Once more: name it, or say none, or skip."),
    "near_acuity": ("I did not catch that. Which line?", "Once more: the line, such as twenty thirty, or skip."),
    "confirm": ("Confirm, or set a dial.", "Say confirm when it is right, or set a dial."),
}


def question(ask: Ask, head: Instrument = MINUS_HEAD) -> str:
    """The examiner's prompt for a question: which dial, how many clicks, to what; asked again, differently worded."""
    asked = ask.question
    if ask.attempt:
        first, later = _AGAIN.get(getattr(asked, "of", ""), _AGAIN[asked.form])
        words = first if ask.attempt == 1 else later
        return f"{words} {_put(asked, ask, head)}" if asked.form in _LENS_TOLD_AGAIN else words
    return _put(asked, ask, head)


_LENS_TOLD_AGAIN = frozenset({"choice", "legible", "acuity"})
"""Forms that carry a lens: whoever did not catch the answer may not have caught the lens."""


def _put(asked: Question, ask: Ask, head: Instrument) -> str:
    match asked:
        case Choice():
            return _choice(asked, ask, head)
        case Legible():
            return f"{_eye(asked.eye)}: {_dial_to(ask.dials, asked.lens, head)}any letter on {line(asked.line)}?"
        case AcuityQuestion():
            return _acuity(asked, ask.dials, head)
        case Value():
            return _VALUE.get(asked.of, f"{asked.of.replace('_', ' ')}?")
        case Confirm():
            return "Confirm, or set a dial."


_VALUE: Mapping[str, str] = {
    "pd": "The p d, in millimetres?",
    "age": "The patient's age?",
    "near_pd": "The near p d, in millimetres?",
    "vertex": "The vertex distance, in millimetres?",
    "reason": "The reason for the visit? Say reason, and the patient's words.",
    "red_flags": "Sudden loss, flashes, a curtain, pain, double vision? Name it, or say none.",
    "near_acuity": "Both eyes, that add on, near card: the smallest line?",
}


def _acuity(asked: AcuityQuestion, dials: Lens | None, head: Instrument) -> str:
    if asked.step == "entering":
        return f"{_eye(asked.eye)}, the other covered: {_dial_to(dials, asked.lens, head)}the smallest line?"
    if asked.step == "unaided":
        return f"{_eye(asked.eye)}, no lens: the smallest line?"
    if asked.step == "pinhole":
        return f"{_eye(asked.eye)}: {_dial_to(dials, asked.lens, head)}pinhole in; the smallest line?"
    if asked.step == "acuity_both":
        return "Both eyes open: the smallest line?"
    return f"{_eye(asked.eye)}: {_dial_to(dials, asked.lens, head)}the smallest line now?"


def patient_question(ask: Ask) -> str:
    """The words for the patient, always the same way, where the assistant asks instead of the examiner."""
    asked = ask.question
    if isinstance(asked, Choice):
        if asked.step == "astigmatism":
            return "Which is clearer: one, without it, or two, with it?"
        if asked.step == "duochrome":
            return "Which letters are clearer: one, on red, or two, on green?"
        return "Which is clearer: one, or two?"
    if isinstance(asked, Legible):
        return "Can you read any letter on that line?"
    if isinstance(asked, AcuityQuestion):
        return "What is the smallest line you can read?"
    return ""


def _dial_to(dials: Lens | None, goal: Lens, head: Instrument) -> str:
    """The turn from what the dials show to `goal`, or nothing where they show it."""
    if dials is None or dials == goal:
        return ""
    away = "cross cylinder away; " if dials.cross is not None else ""
    before, after = head.shown(dials.with_cross(None)), head.shown(goal)
    parts = []
    if before.sphere != after.sphere:
        parts.append(_sphere_turn(before.sphere, after.sphere))
    if before.cylinder != after.cylinder:
        parts.append(f"cylinder {power(after.cylinder)}")
    if before.axis != after.axis and after.cylinder:
        parts.append(f"axis {axis(after.axis)}")
    return away + "; ".join(parts) + ("; " if parts else "")


def _turns(dials: Lens | None, goal: Lens, head: Instrument) -> list[str]:
    """The dials that do not show `goal` yet, each with its goal."""
    if dials is None:
        return []
    before, after = head.shown(dials.with_cross(None)), head.shown(goal.with_cross(None))
    parts = []
    if before.sphere != after.sphere:
        parts.append(f"sphere {power(after.sphere)}")
    if before.cylinder != after.cylinder:
        parts.append(f"cylinder {power(after.cylinder)}")
    if before.axis != after.axis and after.cylinder:
        parts.append(f"axis {axis(after.axis)}")
    return parts


def _choice(asked: Choice, ask: Ask, head: Instrument) -> str:
    if asked.step == "duochrome":
        between = asked.first.with_sphere((asked.first.sphere + asked.second.sphere) // 2)
        turn = _dial_to(ask.dials, between, head)
        return f"{_eye(asked.eye)}: {turn}red and green; one, clearer on red; two, clearer on green."
    if asked.step in _PAIRS_OF_THEIR_OWN:
        return _PAIRS_OF_THEIR_OWN[asked.step](asked, ask.dials, head)
    eye = _eye(asked.eye)
    dials = ask.dials
    if asked.first.cross is not None:
        return f"{eye}: {_cross(asked, dials, head)}"
    first, second = head.shown(asked.first), head.shown(asked.second)
    back = "cross cylinder away; " if dials is not None and dials.cross is not None else ""
    if turns := _turns(dials, asked.first, head):
        back += "back to one; " if ask.back else f"one is {', '.join(turns)}; "
    if (first.cylinder, first.axis) != (second.cylinder, second.axis):
        words = [f"cylinder {power(second.cylinder)}"] if first.cylinder != second.cylinder else []
        if second.cylinder and (first.axis != second.axis or not first.cylinder):
            words.append(f"axis {axis(second.axis)}")
        if first.sphere != second.sphere:
            words.append(f"sphere {power(second.sphere)}")
        return f"{eye}: {back}two is {', '.join(words)}."
    if turns and not ask.back:
        return f"{eye}: {back}two is sphere {power(second.sphere)}."
    return f"{eye}: {back}{_sphere_turn(first.sphere, second.sphere)}."


def _cross(asked: Choice, dials: Lens | None, head: Instrument) -> str:
    """How the cross cylinder is held: told by the mark of the head's own cylinder sign, which its users turn toward."""
    first, second = asked.first, asked.second
    assert first.cross is not None and second.cross is not None
    mark, at = "minus", first.cross.minus_axis
    if head.plus:
        mark, at = "plus", wrap_axis(at + 90)
    dial = head.shown(first).axis
    held = "".join(f"{turn}; " for turn in _turns(dials, first, head) if not turn.startswith("axis"))
    size = "" if first.cross.power == plan.CROSS_POWER else f" {power(first.cross.power)[len('plus ') :]}"
    if dials is None or dials.cross is None or dials.cross.power != first.cross.power:
        held += f"cross cylinder{size} astride axis {axis(dial)}; "
    elif dials.axis != first.axis:
        held += f"axis to {axis(dial)}; "
    if at == dial:
        return f"{held}one, {mark} mark on the axis; two, flip."
    if wrap_axis(at + 90) == dial:
        return f"{held}one, {mark} mark across the axis; two, flip."
    return f"{held}one, {mark} mark at {axis(at)}; two, flip."


def _near_pair(asked: Choice, dials: Lens | None, head: Instrument) -> str:
    card = "near card" if asked.step == "near" else "screen"
    back = "back to one; " if dials is not None and dials != asked.first else ""
    return f"Both eyes, {card}: {back}{clicks(asked.second.sphere - asked.first.sphere)} on each."


def _balance_pair(asked: Choice, dials: Lens | None, head: Instrument) -> str:
    first, second = power(head.shown(asked.first).sphere), power(head.shown(asked.second).sphere)
    if asked.eye is Eye.BOTH:
        return f"Cover in turn: one, right eye, sphere {first}; two, left eye, sphere {second}."
    return f"{_eye(asked.eye)} alone: one is sphere {first}; two is sphere {second}."


_PAIRS_OF_THEIR_OWN: Mapping[str, Callable[[Choice, Lens | None, Instrument], str]] = {
    "near": _near_pair,
    "intermediate": _near_pair,
    "balance": _balance_pair,
}


def expects(ask: Ask) -> tuple[str, ...]:
    """A few answers the question takes, as people say them."""
    asked = ask.question
    if isinstance(asked, Value):
        return {
            "pd": ("sixty-two", "skip"),
            "age": ("fifty-two", "skip"),
            "near_pd": ("fifty-nine", "skip"),
            "vertex": ("twelve", "skip"),
            "reason": ("reason blurred far away", "skip"),
            "red_flags": ("none", "red flag flashes", "skip"),
            "near_acuity": ("twenty twenty-five", "skip"),
        }.get(asked.of, ("skip",))
    return {
        "choice": ("one", "two", "same", "can't tell", "again"),
        "legible": ("yes", "no", "just barely", "I can't read any of it"),
        "acuity": ("twenty twenty", "vision twenty forty", "I can't read any"),
        "confirm": ("confirm",),
    }[asked.form]


# ---------------------------------------------------------------------------------------------------- prompts
def _out_of_range(facts: Facts, head: Instrument) -> str:
    allowed = {
        "set_sphere": "Sphere goes from minus twenty to plus twenty, in quarters.",
        "set_cylinder": f"Cylinder goes from zero to {'plus' if head.plus else 'minus'} eight, in quarters.",
        "set_axis": "Axis goes from one to one eighty.",
        "set_acuity": "A line such as twenty twenty-five.",
        "set_pd": "P d goes from forty to eighty millimetres.",
        "set_age": "Age goes from one to one hundred twenty.",
        "set_add": "Add goes from zero to plus five, in quarters.",
        "set_near_pd": "Near p d goes from forty to eighty millimetres.",
        "set_vertex": "Vertex distance goes from zero to twenty millimetres.",
        "power_at": "Vertex distance goes from zero to twenty millimetres.",
    }
    meaning = str(facts.get("meaning"))
    dial = "Not on the dial. " if meaning in ("set_sphere", "set_cylinder", "set_axis", "set_add") else ""
    return dial + allowed.get(meaning, "Say it once more.")


def _read_back(facts: Facts) -> str:
    words = f"{_eye(facts['eye'])}: {lens(cast(Shown, facts['lens']))}"
    if facts.get("acuity"):
        words += f", vision {line(cast(str, facts['acuity']))}"
    return words + "."


_WHY = {
    "age": "Age tells how much an eye can focus through too much minus.",
    "pd": "The eyes must look through the lens centres.",
    "entering": "The line read now is what every lens has to beat.",
    "sphere": "Plus first: an eye that focuses sees as well through too much minus, so minus must earn its place.",
    "astigmatism": "If none of four cylinders helps, there is no astigmatism worth correcting.",
    "axis": "The preferred side of the cross cylinder tells which way the axis lies.",
    "power": "Cylinder is added only while the patient sees better for it.",
    "axis_again": "A stronger cylinder shows its axis more finely.",
    "power_again": "The axis has turned, so the power is looked at once more.",
    "sphere_again": "The sphere is settled to a quarter, and minus must earn its place.",
    "over_minus": "A right sphere takes three clicks of plus before the line is lost; more means too much minus.",
    "acuity": "The best line tells whether the lenses do what they should.",
    "read_back": "What is written down is read back first.",
    "reason": "The reason for the visit says what the lenses must do.",
    "red_flags": "What came suddenly or hurts needs more than a refraction.",
    "vertex": "A strong lens changes its power with its distance from the eye.",
    "near_pd": "The eyes turn in to read.",
    "unaided": "The line without a lens says what the lenses are worth.",
    "repeat_reversed": "The same pair in reverse order shows whether the lens is answered or the place.",
    "control": "One of these two is plainly too strong: the answer shows whether the lens is answered.",
    "duochrome": "Clearer on red asks for minus, clearer on green for plus.",
    "settle": "The answers so far leave this open; of the pairs there are, this one tells most.",
    "plus_check": "A dioptre of plus over the right lens costs some lines; fewer mean that too little plus is in.",
    "cylinder_check": "A cylinder that came down to nothing is looked at once more before it is dropped.",
    "pinhole": "If a pinhole brings lines, some blur is left; if not, the eye needs another look.",
    "balance": "The eyes are made equally clear, so that neither has to focus for the other.",
    "acuity_both": "Two eyes together should read no less than the better one.",
    "near": "The add by age is only where to start: the near card decides.",
    "near_acuity": "The near line says what the add is worth.",
    "intermediate": "A screen stands farther off than a page and asks for less.",
}

_THROUGH: Mapping[str, str] = {"": "Vision", "plus": "With plus,", "pinhole": "Through the pinhole,"}

_SAY: Mapping[str, Callable[[Facts], str]] = {
    "welcome": lambda f: "Ready.",
    "eye_begins": lambda f: f"{_eye(f['eye'])}. {_whole(f['lens']).capitalize()}.",
    "eye_done": lambda f: f"{_eye(f['eye'])} ends at {lens(cast(Shown, f['lens']))}.",
    "cross_away": lambda f: "Cross cylinder away.",
    "balance_ends": lambda f: (
        f"Without the fog: right eye, sphere {power(cast(Shown, f['right']).sphere)}; "
        f"left eye, sphere {power(cast(Shown, f['left']).sphere)}."
    ),
    "pinhole_out": lambda f: "Take the pinhole out.",
    "cautions": lambda f: "There are cautions on the record: read them before signing.",
    "age_doubtful": lambda f: f"Age {f['age']}? Say it once more if it is right.",
    "pd_doubtful": lambda f: f"P d {_number(f['pd'])}? Hardly anybody has that. Say it once more if it is right.",
    "other_eye": lambda f: f"{_eye(f['eye'])}. {_whole(f['lens']).capitalize()}.",
    "acuity_recorded": lambda f: f"{_THROUGH[cast(str, f.get('through', ''))]} {line(cast(str, f['line']))}.",
    "pd_recorded": lambda f: f"P d {_number(f['pd'])}.",
    "age_recorded": lambda f: f"Age {_number(f['age'])}.",
    "add_recorded": lambda f: f"Add {power(cast(int, f['add']))}.",
    "near_pd_recorded": lambda f: f"Near p d {_number(f['near_pd'])}.",
    "vertex_recorded": lambda f: f"Vertex distance {_number(f['vertex'])}.",
    "reason_recorded": lambda f: "Reason noted.",
    "near_acuity_recorded": lambda f: f"Near vision {line(cast(str, f['line']))}.",
    "near_begins": lambda f: (
        f"{'Near card' if f['step'] == 'near' else 'Screen'} at {_number(f['distance'])} centimetres, both eyes open: "
        f"{_add_on(f['add'])}."
    ),
    "add_found": lambda f: (
        f"{'Add' if f['step'] == 'near' else 'Intermediate add'} {power(cast(int, f['add']))}"
        f"{', as far as choices go; set the add to go on' if f['limit'] else ''}.{_clear(f)}"
    ),
    "back_to_distance": lambda f: "Back to distance.",
    "both_skipped": lambda f: f"No {str(f['step']).replace('_', ' ')}: {_NOT_DONE[str(f['why'])]}.",
    "wanted_later": lambda f: f"{str(f['what']).capitalize()} after both eyes.",
    "compared": lambda f: _compared(f),
    "transposed": lambda f: _transposed(f),
    "power_at": lambda f: _power_at(f),
    "vertex_needed": lambda f: "Set the vertex distance first, such as vertex twelve.",
    "cylinder_by": lambda f: f"Cylinder power by {'dial steps' if f['by'] == 'dial' else 'cross cylinder'}.",
    "dials_set": lambda f: f"{_eye(f['eye'])}: {_set(cast(Shown, f['lens']), str(f['dial']))}.",
    "weighed": lambda f: f"{_eye(f['eye'])}, all answers together: {_whole(f['lens'])}.",
    "undone": lambda f: "Undone.",
    "nothing_to_undo": lambda f: "Nothing to undo.",
    "read_back_eye": _read_back,
    "why": lambda f: _WHY.get(str(f["step"]), "It is the next step of the protocol."),
    "noted": lambda f: "Noted.",
    "paused": lambda f: "Paused. Say resume to go on.",
    "resumed": lambda f: "Going on.",
    "type_or_say": lambda f: "I cannot make out the answer. Please type it, or say the command.",
    "finished": lambda f: "Draft written. It is a draft until it is signed.",
    "finished_unconfirmed": lambda f: "Draft written, not confirmed. It is a draft until it is signed.",
}


_NOT_DONE: Mapping[str, str] = {
    "eyes_incomplete": "an eye is not complete",
    "acuity_unknown": "the line of an eye is not known",
    "eyes_unlike": "the eyes do not see alike",
    "age_unknown": "the age is not known, say it first",
    "young": "under forty, say near if it is wanted",
}


def _whole(value: object) -> str:
    """A lens for dials that may show anything: that there is no cylinder is said, too."""
    shown = cast(Shown, value)
    return lens(shown) + ("" if shown.cylinder else ", cylinder zero")


def _set(value: Shown, dial: str) -> str:
    """A lens of which one dial was set: that dial, too, where the lens itself says nothing of it."""
    return lens(value) + (f", axis {axis(value.axis)}" if dial == "axis" and not value.cylinder else "")


def _add_on(add: object) -> str:
    return f"{clicks(cast(int, add))} on each sphere" if add else "the distance lenses"


def _clear(facts: Facts) -> str:
    """The range that the age leads to expect, for the examiner to hold the card against."""
    near, far = cast(tuple[int, int], facts.get("clear", (0, 0)))
    return f" To be clear from {count(near)} to {_number(far)} centimetres." if 0 < near < 100 and far < 200 else ""


def _compared(facts: Facts) -> str:
    """A lens against the one before, in words: what moved, and by how much."""
    before = {"glasses": "the glasses", None: "the start"}.get(cast("str | None", facts["source"]))
    before = before or f"the {facts['source']}"
    parts = []
    old, new = cast(Shown, facts["before"]), cast(Shown, facts["after"])
    for dial, change in (("sphere", new.sphere - old.sphere), ("cylinder", new.cylinder - old.cylinder)):
        if change:
            parts.append(f"{dial} {power(change)}")
    swing = cast("int | None", facts["swing"])
    if swing:
        parts.append(f"axis by {axis(swing)} degree{'s' if swing != 1 else ''}")
    return f"{_eye(facts['eye'])}, against {before}: {', '.join(parts) if parts else 'no change'}."


def _transposed(facts: Facts) -> str:
    """The other cylinder form of the record's own."""
    return " ".join(
        f"{_eye(Eye(eye))}, transposed: {lens(cast(Shown, held))}."
        for eye, held in facts.items()
        if eye in ("right", "left")
    )


def _power_at(facts: Facts) -> str:
    where = "the cornea" if not facts["to"] else f"{_number(facts['to'])} millimetres"
    told = [
        f"{_eye(Eye(eye)).lower()}, {lens(cast(Shown, facts[eye])) if facts[eye] else 'none there does the same'}"
        for eye in ("right", "left")
        if eye in facts
    ]
    return f"At {where}, nearest quarter: {'; '.join(told)}." if told else "No lens to reckon with yet."


def _number(value: object) -> str:
    number = float(cast(float, value))
    whole = int(number)
    words = f"one hundred {count(whole - 100)}".removesuffix(" zero") if whole >= 100 else count(whole)
    return words + (" and a half" if number - whole else "")


def _prescription(draft: Prescribe, head: Instrument = MINUS_HEAD) -> str:
    def eye(name: str, result: EyeResult) -> str:
        if result.sphere is None:
            return f"{name} eye, not examined."
        shown = head.shown(Lens(result.sphere, result.cylinder or 0, result.axis or 180))
        words = f"{name} eye, {lens(shown)}"
        if result.add:
            words += f", add {power(result.add)}"
        if result.acuity:
            words += f", vision {line(result.acuity)}"
        if not result.examined:
            words += ", carried over"
        elif not result.complete:
            words += ", not complete"
        return words + "."

    words = f"{eye('Right', draft.right)} {eye('Left', draft.left)}"
    if draft.near_acuity:
        words += f" Near, {line(draft.near_acuity)}."
    words += f" P d {_number(draft.pd)}." if draft.pd is not None else " No p d."
    return words + (f" Vertex {_number(draft.vertex)}." if draft.vertex is not None else "")


def prompt(say: Say, head: Instrument = MINUS_HEAD) -> str:
    """The words of a prompt."""
    if say.key == "read_back_all":
        return _prescription(cast(Prescribe, say.facts["prescription"]), head)
    facts = {
        key: head.shown(value) if isinstance(value, Lens) and say.key != "transposed" else value
        for key, value in say.facts.items()
    }
    return _out_of_range(facts, head) if say.key == "out_of_range" else _SAY[say.key](facts)


# ---------------------------------------------------------------------------------------------------- cautions
def _shown(hundredths: object) -> str:
    return f"{cast(int, hundredths) / 100:+.2f}"


_FLAGS: Mapping[str, Callable[[Facts], str]] = {
    "dial_end": lambda f: (
        f"The {f['dial']} dial does not go to {_shown(f['at'])}."
        if f.get("asked")
        else f"The {f['dial']} dial is at its end ({_shown(f['at'])})."
    ),
    "no_answer": lambda f: (
        f"no usable answer at the step {str(f['step']).replace('_', ' ')}: it was left as it stands."
    ),
    "too_many_questions": lambda f: f"{f['asked']} questions without settling: check by hand.",
    "acuity_low": lambda f: f"Best vision {f['acuity']}{_pinhole(f)}: consider referral.",
    "acuity_differs": lambda f: (
        f"The eyes differ by two lines or more (right {f['right']}, left {f['left']}{_pinhole(f)}): consider referral."
    ),
    "anisometropia": lambda f: (
        f"The eyes differ by {f['apart']:.2f} D (spherical equivalent): they may not be comfortable together, look at "
        "binocular vision before prescribing both in full."
    ),
    "adaptation": lambda f: (
        f"{f['change']:.2f} D of change along the meridian that changed most, from {_lens_written(f['before'])} to "
        f"{_lens_written(f['after'])}: "
        f"{'tell the patient it will need getting used to' if f['worn'] else 'the measurement is far off, look again'}."
    ),
    "axis_swing": lambda f: (
        f"The axis turned by {f['swing']} degrees, from {_lens_written(f['before'])} to {_lens_written(f['after'])}: "
        f"{'tell the patient it will need getting used to' if f['worn'] else 'the measurement is far off, look again'}."
    ),
    "incomplete": lambda f: f"not complete, {_WHY_INCOMPLETE[str(f['why'])]}.",
    "red_flag": lambda f: (
        f"The patient tells of {plan.RED_FLAGS[str(f['told'])]}: examine for it or refer; lenses do not explain it."
    ),
    "pd_unusual": lambda f: f"PD {f['pd']:g} mm is outside the usual 50 to 75: measure it once more.",
    "add_unusual": lambda f: (
        f"Add {_shown(f['add'])} is unusual at {f['age']} ({_shown(cast(tuple[int, int], f['usual'])[0])} to "
        f"{_shown(cast(tuple[int, int], f['usual'])[1])}): check working distance and amplitude."
    ),
    "add_at_limit": lambda f: (
        f"Add {_shown(f['add'])} is as far as choices go for the age, and more was preferred: look at it by hand."
    ),
    "add_tentative": lambda f: f"Add {_shown(f['add'])} is tentative, by age or amplitude: it was not refined.",
    "duochrome_disagrees": lambda f: (
        f"Still clearer on {f['side']} after a click: the sphere was left as it was, look at it by hand."
    ),
    "balance_disagrees": lambda f: (
        f"{f['clicks']} clicks of plus did not balance the {f['eye']} eye: the lenses were left as they were."
    ),
    "contradiction": lambda f: (
        f"{f['contradicted']} of {f['repeated']} check pairs (shown again in reverse order, or with plainly too much "
        "plus) were answered the wrong way."
    ),
    "position_bias": lambda f: (
        f"{f['answers']} of {f['of']} answers were {'one' if f['position'] == 'first' else 'two'}, with the lenses "
        "changed over too: the place is answered, not the lens. Check by hand."
    ),
    "no_preference": lambda f: f"None of {f['of']} pairs was told apart. Check by hand.",
    "answers_do_not_fit": lambda f: (
        f"The answers fit this lens hardly better than chance: {f['against']} of {f['answers']} speak against it. "
        "Check by hand."
    ),
    "lens_open": lambda f: (
        "The answers leave this lens open: it is more than half a dioptre off with chance "
        f"{100 * cast(float, f['chance']):.0f} in a hundred. Check by hand."
    ),
    "too_fast": lambda f: f"{f['answers']} of {f['of']} answers came before the lens could be seen.",
    "fatigue": lambda f: (
        f"Answers slowed from {f['early']} to {f['late']} seconds: the patient may be tiring, a pause may help."
    ),
    "over_minus": lambda f: (
        f"{f['clicks']} clicks of plus to blur the line: the sphere goes from {_shown(f['from'])} to {_shown(f['to'])}."
    ),
    "reads_through_plus": lambda f: (
        f"Reads {f['line']} through {cast(float, f['plus']):+.2f} over the lens, where "
        f"{' to '.join(plan.PLUS_CHECK_USUAL)} is usual: too little plus may be in."
    ),
    "other_eye_doubted": lambda f: (
        f"The same person's answers for the {f['other']} eye do not fit together: look at this lens again before "
        "relying on it."
    ),
    "never_blurred": lambda f: f"{f['clicks']} clicks of plus did not blur the line: check the lens and the chart.",
    "acuity_poor_try_again": lambda f: f"Best vision {f['acuity']}: the eye is gone through once more.",
    "not_confirmed": lambda f: (
        "The read-back was not confirmed: the draft is incomplete until a practitioner has checked it."
    ),
}


_WHY_INCOMPLETE: Mapping[str, str] = {
    "doubts": "its answers do not fit together",
    "open": "its answers leave the lens open",
    "given_up": "it was left before its end",
    "unfinished": "it was not gone through to its end",
}


def _pinhole(facts: Facts) -> str:
    through, eye = facts.get("pinhole"), facts.get("worse")
    if not through:
        return ", no pinhole taken"
    return f", {f'the {eye} ' if eye else ''}{through} through a pinhole"


def _lens_written(value: object) -> str:
    return written(cast(Lens, value))


def flag(value: Flag) -> str:
    """The sentence of a caution. What is written down is minus cylinder, whatever the head."""
    sentence = _FLAGS[value.code](value.facts)
    return sentence if value.eye is Eye.BOTH else f"{_eye(value.eye)}: {sentence[0].lower()}{sentence[1:]}"


def aloud(value: Flag) -> str:
    """What is said of a caution as it comes: what the examiner has to know now, with both hands on the dials. What it
    makes of the patient is for the page, not for the patient's ears."""
    if value.code == "dial_end":
        return f"The {value.facts['dial']} dial {'does not go there' if value.facts.get('asked') else 'is at its end'}."
    if value.code not in _SAID_ALOUD:
        return ""
    sentence = flag(value)
    return sentence[0].upper() + sentence[1:]


_SAID_ALOUD = frozenset(
    {"no_answer", "too_many_questions", "never_blurred", "duochrome_disagrees", "balance_disagrees"}
)


def words(effect: Effect, head: Instrument = MINUS_HEAD) -> str:
    """The words of any effect that has some, else ""."""
    if isinstance(effect, Say):
        return prompt(effect, head)
    if isinstance(effect, Ask):
        return question(effect, head)
    if isinstance(effect, Flag):
        return flag(effect)
    return ""

"""The assistant's own words: every prompt, question and caution, from the exam's effects.

One short breath each. Powers are spoken digit by digit with their sign, so that no number can be taken for another;
an axis is spoken as examiners say it ("one seventy-five"). The lens before the patient is always "one", the new one
always "two" (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import cast

from ..optics.lens import CLICK, Lens
from ..protocol.effects import Ask, Effect, EyeResult, Flag, Prescribe, Say
from ..protocol.questions import AcuityQuestion, Choice, Confirm, Eye, Legible, Value

_DIGITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_TEENS = "ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen".split()
_TENS = ("", "", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")

Facts = Mapping[str, object]


def count(number: int) -> str:
    """A whole number from 0 to 999 in words."""
    if number < 10:
        return _DIGITS[number]
    if number < 20:
        return _TEENS[number - 10]
    if number >= 100:
        hundreds, rest = divmod(number, 100)
        return f"{_DIGITS[hundreds]} hundred" + (f" {count(rest)}" if rest else "")
    tens, ones = divmod(number, 10)
    return _TENS[tens] + (f"-{_DIGITS[ones]}" if ones else "")


def power(hundredths: int) -> str:
    """A power with its sign, digit by digit: -225 -> "minus two point two five"; 0 -> "zero"."""
    if hundredths == 0:
        return "zero"
    whole, part = divmod(abs(hundredths), 100)
    sign = "minus" if hundredths < 0 else "plus"
    return f"{sign} {count(whole)} point {_DIGITS[part // 10]} {_DIGITS[part % 10]}"


def axis(degrees: int) -> str:
    """An axis as examiners say it: 175 -> "one seventy-five", 105 -> "one oh five", 5 -> "five"."""
    if degrees < 100:
        return count(degrees)
    rest = degrees - 100
    if rest == 0:
        return "one hundred"
    return f"one oh {_DIGITS[rest]}" if rest < 10 else f"one {count(rest)}"


def line(snellen: str) -> str:
    """A chart line: "20/25" -> "twenty twenty-five", "20/100" -> "twenty one hundred"."""
    head, _, missed = snellen.partition("-")
    feet = int(head.split("/")[1].split("+")[0])
    hundreds, rest = divmod(feet, 100)
    words = f"{count(hundreds)} hundred" if hundreds else ""
    if rest or not hundreds:
        words = f"{words} {count(rest)}".strip()
    return f"twenty {words}" + (f", minus {count(int(missed))}" if missed.isdigit() else "")


def lens(value: Lens) -> str:
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
    "confirm": ("Confirm, or set a dial.", "Say confirm when it is right, or set a dial."),
}


def question(ask: Ask) -> str:
    """The examiner's prompt for a question: which dial, how many clicks, to what; asked again, differently worded."""
    asked = ask.question
    if ask.attempt:
        first, later = _AGAIN[asked.form]
        return first if ask.attempt == 1 else later
    match asked:
        case Choice():
            return _choice(asked, ask.dials)
        case Legible():
            return f"{_eye(asked.eye)}: {_dial_to(ask.dials, asked.lens)}any letter on {line(asked.line)}?"
        case AcuityQuestion():
            if asked.step == "entering":
                return f"{_eye(asked.eye)}, the other covered: the smallest line?"
            return f"{_eye(asked.eye)}: {_dial_to(ask.dials, asked.lens)}the smallest line now?"
        case Value():
            return {"pd": "The p d, in millimetres?", "age": "The patient's age?"}.get(
                asked.of, f"{asked.of.replace('_', ' ')}?"
            )
        case Confirm():
            return "Confirm, or set a dial."


def patient_question(ask: Ask) -> str:
    """The words for the patient, always the same way, where the assistant asks instead of the examiner."""
    asked = ask.question
    if isinstance(asked, Choice):
        if asked.step == "astigmatism":
            return "Which is clearer: one, without it, or two, with it?"
        return "Which is clearer: one, or two?"
    if isinstance(asked, Legible):
        return "Can you read any letter on that line?"
    if isinstance(asked, AcuityQuestion):
        return "What is the smallest line you can read?"
    return ""


def _dial_to(dials: Lens | None, goal: Lens) -> str:
    """The turn from what the dials show to `goal`, or nothing where they show it."""
    if dials is None or dials == goal:
        return ""
    if dials.cross is not None:
        return "cross cylinder away; "
    parts = []
    if dials.sphere != goal.sphere:
        parts.append(f"sphere, {clicks(goal.sphere - dials.sphere)}, to {power(goal.sphere)}")
    if dials.cylinder != goal.cylinder:
        parts.append(f"cylinder {power(goal.cylinder)}")
    if dials.axis != goal.axis and goal.cylinder:
        parts.append(f"axis {axis(goal.axis)}")
    return "; ".join(parts) + "; " if parts else ""


def _choice(asked: Choice, dials: Lens | None) -> str:
    first, second = asked.first, asked.second
    eye = _eye(asked.eye)
    if first.cross is not None:
        assert second.cross is not None
        held = ""
        if dials is None or dials.cross is None:
            held = f"cross cylinder astride axis {axis(first.axis)}; "
        elif dials.axis != first.axis:
            held = f"axis to {axis(first.axis)}; "
        if asked.step.startswith("power"):
            return f"{eye}: {held}one, minus mark on the axis; two, flip."
        return f"{eye}: {held}one, minus mark at {axis(first.cross.minus_axis)}; two, flip."
    back = ""
    if dials is not None and dials.cross is not None:
        back = "cross cylinder away; "
    elif dials is not None and dials != first:
        back = "back to one; "
    if first.cylinder != second.cylinder:
        turned = f", axis {axis(second.axis)}" if first.axis != second.axis or not first.cylinder else ""
        words = f"two is cylinder {power(second.cylinder)}{turned}"
        if first.sphere != second.sphere:
            words += f", sphere {power(second.sphere)}"
        return f"{eye}: {back}{words}."
    return f"{eye}: {back}sphere, {clicks(second.sphere - first.sphere)}, to {power(second.sphere)}."


def expects(ask: Ask) -> tuple[str, ...]:
    """A few answers the question takes, as people say them."""
    asked = ask.question
    if isinstance(asked, Value):
        return {"pd": ("sixty-two", "skip"), "age": ("fifty-two", "skip")}.get(asked.of, ("skip",))
    return {
        "choice": ("one", "two", "same", "can't tell", "again"),
        "legible": ("yes", "no", "just barely", "I can't read any of it"),
        "acuity": ("twenty twenty", "vision twenty forty", "I can't read any"),
        "confirm": ("confirm",),
    }[asked.form]


# ---------------------------------------------------------------------------------------------------- prompts
def _out_of_range(facts: Facts) -> str:
    allowed = {
        "set_sphere": "Sphere goes from minus twenty to plus twenty, in quarters.",
        "set_cylinder": "Cylinder goes from zero to minus eight, in quarters.",
        "set_axis": "Axis goes from one to one eighty.",
        "set_acuity": "A line such as twenty twenty-five.",
        "set_pd": "P d goes from forty to eighty millimetres.",
        "set_age": "Age goes from one to one hundred twenty.",
        "set_add": "Add goes from plus zero point two five to plus five, in quarters.",
    }
    return "Not on the dial. " + allowed.get(str(facts.get("meaning")), "Say it once more.")


def _read_back(facts: Facts) -> str:
    words = f"{_eye(facts['eye'])}: {lens(cast(Lens, facts['lens']))}"
    if facts.get("acuity"):
        words += f", vision {line(cast(str, facts['acuity']))}"
    return words + "."


_WHY = {
    "age": "Age tells how much an eye can focus through too much minus.",
    "pd": "The eyes must look through the lens centres.",
    "entering": "The line read now is what every lens has to beat.",
    "sphere": "Plus is tried first, and minus must earn its place by a clearer picture.",
    "astigmatism": "If none of four cylinders helps, there is no astigmatism worth correcting.",
    "axis": "The preferred side of the cross cylinder tells which way the axis lies.",
    "power": "Cylinder is added only while the patient sees better for it.",
    "axis_again": "A stronger cylinder shows its axis more finely.",
    "power_again": "The axis has turned, so the power is looked at once more.",
    "sphere_again": "The cylinder has changed, so the sphere is settled again.",
    "over_minus": "A right sphere takes three clicks of plus before the line is lost; more means too much minus was in.",
    "acuity": "The best line tells whether the lenses do what they should.",
    "read_back": "What is written down is read back first.",
}

_SAY: Mapping[str, Callable[[Facts], str]] = {
    "welcome": lambda f: "Ready.",
    "eye_begins": lambda f: f"{_eye(f['eye'])}. {lens(cast(Lens, f['lens'])).capitalize()}.",
    "other_eye": lambda f: f"{_eye(f['eye'])}.",
    "acuity_recorded": lambda f: f"Vision {line(cast(str, f['line']))}.",
    "pd_recorded": lambda f: f"P d {_number(f['pd'])}.",
    "age_recorded": lambda f: f"Age {_number(f['age'])}.",
    "add_recorded": lambda f: f"Add {power(cast(int, f['add']))}.",
    "dials_set": lambda f: f"{_eye(f['eye'])}: {lens(cast(Lens, f['lens']))}.",
    "undone": lambda f: "Undone.",
    "nothing_to_undo": lambda f: "Nothing to undo.",
    "read_back_eye": _read_back,
    "read_back_all": lambda f: _prescription(cast(Prescribe, f["prescription"])),
    "why": lambda f: _WHY.get(str(f["step"]), "It is the next step of the protocol."),
    "noted": lambda f: "Noted.",
    "paused": lambda f: "Paused. Say resume to go on.",
    "resumed": lambda f: "Going on.",
    "out_of_range": _out_of_range,
    "type_or_say": lambda f: "I cannot make out the answer. Please type it, or say the command.",
    "finished": lambda f: "Draft written. It is a draft until it is signed.",
    "finished_unconfirmed": lambda f: "Draft written, not confirmed. It is a draft until it is signed.",
}


def _number(value: object) -> str:
    number = float(cast(float, value))
    whole = int(number)
    words = f"one hundred {count(whole - 100)}".removesuffix(" zero") if whole >= 100 else count(whole)
    return words + (" and a half" if number - whole else "")


def _prescription(draft: Prescribe) -> str:
    def eye(name: str, result: EyeResult) -> str:
        if result.sphere is None:
            return f"{name} eye, not examined."
        words = f"{name} eye, {lens(Lens(result.sphere, result.cylinder or 0, result.axis or 180))}"
        if result.add:
            words += f", add {power(result.add)}"
        if result.acuity:
            words += f", vision {line(result.acuity)}"
        return words + "."

    words = f"{eye('Right', draft.right)} {eye('Left', draft.left)}"
    return words + (f" P d {_number(draft.pd)}." if draft.pd is not None else " No p d.")


def prompt(say: Say) -> str:
    """The words of a prompt."""
    return _SAY[say.key](say.facts)


# ---------------------------------------------------------------------------------------------------- cautions
def _shown(hundredths: object) -> str:
    return f"{cast(int, hundredths) / 100:+.2f}"


_FLAGS: Mapping[str, Callable[[Facts], str]] = {
    "dial_end": lambda f: (
        f"The {f['dial']} dial is at its end ({f['at'] if f['dial'] == 'axis' else _shown(f['at'])})."
    ),
    "no_answer": lambda f: (
        f"No usable answer at the step {str(f['step']).replace('_', ' ')}: it was left as it stands."
    ),
    "too_many_questions": lambda f: (
        f"{f['asked']} questions without settling: the answers do not fit together. Check this eye by hand."
    ),
    "acuity_low": lambda f: f"Best vision {f['acuity']}: pinhole, and consider referral.",
    "acuity_differs": lambda f: (
        f"The eyes differ by two lines or more (right {f['right']}, left {f['left']}): pinhole, and consider referral."
    ),
    "over_minus": lambda f: (
        f"{f['clicks']} clicks of plus to blur the line: the sphere goes from {_shown(f['from'])} to {_shown(f['to'])}."
    ),
    "never_blurred": lambda f: (
        f"{f['clicks']} clicks of plus did not blur the line: check the lens and the chart."
    ),
    "acuity_poor_try_again": lambda f: f"Best vision {f['acuity']}: the eye is gone through once more.",
    "not_confirmed": lambda f: (
        "The read-back was not confirmed: the draft is incomplete until a practitioner has checked it."
    ),
}


def flag(value: Flag) -> str:
    """The sentence of a caution."""
    return _FLAGS[value.code](value.facts)


def words(effect: Effect) -> str:
    """The words of any effect that has some, else ""."""
    if isinstance(effect, Say):
        return prompt(effect)
    if isinstance(effect, Ask):
        return question(effect)
    if isinstance(effect, Flag):
        return flag(effect)
    return ""

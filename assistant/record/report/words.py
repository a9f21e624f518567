"""How the report writes values, times and links."""

from __future__ import annotations

from collections.abc import Mapping

from ...optics.lens import Lens, LensError
from ..log import moment
from ..prescription import left_open, lens_of
from .markup import Child, Html, el
from .story import Story, plain_text

EYE_NAMES = {"right": "Right eye", "left": "Left eye", "both": "Both eyes"}
_UNITS = {"pd": "mm", "near_pd": "mm", "vertex": "mm", "working_distance": "cm"}
_NAMES = {
    "pd": "PD",
    "near_pd": "Near PD",
    "vertex": "Vertex distance",
    "acuity_both": "Acuity, both eyes",
    "unaided_acuity": "Unaided acuity",
    "pinhole_acuity": "Acuity through a pinhole",
    "intermediate": "Intermediate add",
}


def eye_name(eye: object) -> str:
    """An eye as a heading calls it."""
    return EYE_NAMES.get(str(eye), str(eye).replace("_", " ").capitalize())


def name_of(key: object) -> str:
    """A key of the prescription as a person calls it."""
    return _NAMES.get(str(key), str(key).replace("_", " ").capitalize())


def measure(key: str, value: object) -> str:
    """A value of the prescription as the trade writes it."""
    if isinstance(value, float) and key in ("add", "intermediate"):
        return f"{value:+.2f}"
    return plain_text(value) + (f" {_UNITS[key]}" if key in _UNITS else "")


def words_of(text: object) -> Html:
    """Somebody's words: their reading direction stays their own."""
    return el("bdi", text)


def many(number: int, one: str) -> str:
    """A count of something: "1 question", "2 questions"."""
    return f"{number} {one}{'' if number == 1 else 's'}"


def to_event(seq: object, words: Child | None = None) -> Html:
    """A link to an event's line in the conversation."""
    return el("a", f"event {seq}" if words is None else words, href=f"#e{seq}")


def moment_text(at: object) -> str:
    """A stamp of the log as a person reads it; as it is where it is none."""
    try:
        then = moment({"at": at})
    except (ValueError, AttributeError, TypeError):
        return str(at)
    return f"{then.day} {then:%B %Y, %H:%M} UTC"


def clock_text(seconds: float) -> str:
    """Minutes and seconds, "4:05"."""
    whole = int(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


def lens_prescribed(held: object) -> Lens | None:
    """The lens of an eye of the prescription; None where there is none that can be read."""
    if not isinstance(held, Mapping):
        return None
    try:
        return lens_of(dict(held))
    except (LensError, TypeError, KeyError):
        return None


def age_of(story: Story) -> object:
    """The age the exam went by: the last one heard, else the start's; None where neither."""
    ages = [
        held.get("value")
        for held in story.of_kind("heard")
        if held.get("meaning") == "set_age" and held.get("accepted") and (held.get("used") or "amends" in held)
    ]
    return ages[-1] if ages else story.start.get("age")


def status(story: Story) -> tuple[str, str]:
    """(name, sentence) of where the prescription stands."""
    if story.prescription is None:
        return "No prescription", "The exam has not come to a prescription."
    signature = story.signature
    if signature is not None:
        who = signature["signed"]
        said = f"Signed by {who.get('by')}, licence {who.get('licence')}, {moment_text(who.get('at'))}."
        lacking = left_open(signature)
        return "Signed", said + (f" Not complete: {', '.join(lacking)}." if lacking else "")
    if any(held.get("signed") for held in story.of_kind("prescription")):
        return "Draft", "Changed after it was signed: a draft again until it is signed anew."
    return "Draft", "Not valid until a licensed practitioner has signed it."

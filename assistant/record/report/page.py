"""The report as one page of HTML: prescription, pictures, conversation, signatures.

The page asks nothing of anybody: style and script are inside it and named by their hashes in its content
security policy (W3C CSP Level 3), and sound is inside it or beside it.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Mapping
from importlib import resources

from ...optics.lens import Lens, LensError
from ...optics.transpose import signed, to_plus
from ..events import Event
from ..log import moment
from ..prescription import LOG_KEYS, eye_written, lens_of
from . import pictures
from .markup import Child, Html, data, el, joined
from .sounds import Sounds
from .story import Asked, EyeStory, Story, lens_or_none, lens_text, meaning_text, over_minus, plain_text, readings, step_name

_EYES = {"right": "Right eye", "left": "Left eye", "both": "Both eyes"}
_OUTCOMES = {
    "out_of_range": "not on the dials",
    "not_understood": "not understood",
    "doubtful": "doubtful, not used",
    "silence": "silence",
}
_EYE_KEYS = frozenset(
    {"sphere", "cylinder", "axis", "add", "acuity", "entering_acuity", "complete", "examined", "interval", "change"}
)
# Of the prescription, what stands beside the two eyes and has its own place on the page.
_APART = frozenset({"pd", "near_pd", "near_pd_computed", "cautions"})
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
_HEARD_KEYS = LOG_KEYS | frozenset(
    "text meaning by accepted score after value outcome hedged typed used audio audio_sha256 amends reason "
    "amended_by position".split()
)


def page(story: Story, sounds: Sounds, record: list[str], notes: list[str]) -> str:
    """The whole page.

    record  what does not hold of the record, worst first: shown before anything else
    notes   what was checked and holds, or could not be checked
    """
    style, script = _part("report.css"), _part("report.js")
    policy = "; ".join(
        (
            "default-src 'none'",
            f"script-src '{_hash(script)}'",
            f"style-src '{_hash(style)}'",
            "media-src 'self' data: file:",
            "img-src data:",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )
    title = f"Refraction {_patient(story)}, {_day(story)} - {_status(story)[0].lower()}"
    head = el(
        "head",
        el("meta", charset="utf-8"),
        el("meta", http_equiv="Content-Security-Policy", content=policy),
        el("meta", name="viewport", content="width=device-width, initial-scale=1"),
        el("meta", name="color-scheme", content="light dark"),
        el("meta", name="referrer", content="no-referrer"),
        el("title", title),
        el("link", rel="icon", href="data:,"),
        Html(f"<style>{style}</style>"),
    )
    eyes = [_eye(story, eye) for eye in story.eyes.values()]
    body = el(
        "body",
        el("a", "Skip to the prescription", href="#prescription", class_="skip"),
        _header(story),
        el(
            "main",
            _cautions(story, record),
            _prescription(story),
            _spoken_notes(story),
            eyes,
            _conversation(story, sounds),
            _signatures(story),
        ),
        _footer(story, notes),
        el("audio", id="clip", preload="none"),
        data("sounds", {str(seq): source for seq, source in sounds.utterances.items()}),
        data("clock", _clock(story, sounds)),
        Html(f"<script>{script}</script>"),
    )
    return f"<!DOCTYPE html>\n{el('html', head, body, lang='en')}\n"


def _part(name: str) -> str:
    return resources.files(__package__).joinpath(name).read_text(encoding="utf-8")


def _hash(content: str) -> str:
    digest = hashlib.sha256(content.encode("utf-8")).digest()
    return "sha256-" + base64.b64encode(digest).decode("ascii")


# ------------------------------------------------------------------------------------------------ small parts
def _patient(story: Story) -> str:
    held = story.start.get("patient")
    return str(held) if held else "without a code"


def _day(story: Story) -> str:
    try:
        begun = moment(story.log.events[0])
    except (IndexError, KeyError, ValueError):
        return "time unknown"
    return f"{begun.day} {begun:%B %Y}"


def _status(story: Story) -> tuple[str, str]:
    """(name, sentence) of where the prescription stands."""
    if story.prescription is None:
        return "No prescription", "The exam has not come to a prescription."
    signature = story.signature
    if signature is not None:
        who = signature["signed"]
        return "Signed", f"Signed by {who.get('by')}, licence {who.get('licence')}, {who.get('at')}."
    if any(held.get("signed") for held in story.of_kind("prescription")):
        return "Draft", "Changed after it was signed: a draft again until it is signed anew."
    return "Draft", "Not valid until a licensed practitioner has signed it."


def _when(seconds: float) -> str:
    whole = int(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


def _to_line(seq: object, words: Child | None = None) -> Html:
    return el("a", f"event {seq}" if words is None else words, href=f"#e{seq}")


def _name(key: object) -> str:
    return _NAMES.get(str(key), str(key).replace("_", " ").capitalize())


def _measure(key: str, value: object) -> str:
    """A value of the prescription as the trade writes it."""
    if isinstance(value, float) and key in ("add", "intermediate"):
        return f"{value:+.2f}"
    return plain_text(value) + (f" {_UNITS[key]}" if key in _UNITS else "")


def _words(text: object) -> Html:
    """Somebody's words: their reading direction stays their own."""
    return el("bdi", text)


def _many(number: int, one: str) -> str:
    return f"{number} {one}{'' if number == 1 else 's'}"


def _header(story: Story) -> Html:
    name, sentence = _status(story)
    try:
        begun = moment(story.log.events[0])
        when = el("time", f"{begun.day} {begun:%B %Y, %H:%M} UTC", datetime=story.log.events[0]["at"])
    except (IndexError, KeyError, ValueError):
        when = Html("time unknown")
    questions = sum(len(eye.asked) for eye in story.eyes.values())
    sections = [
        ("prescription", "Prescription"),
        *((name_, _EYES.get(name_, name_.capitalize())) for name_ in story.eyes),
        ("conversation", "Conversation"),
        ("signatures", "Signatures"),
    ]
    return el(
        "header",
        el(
            "div",
            el("h1", "Subjective refraction ", el("span", _words(_patient(story)), class_="code")),
            el("p", when, f" · {_length(story.length)} · {_many(questions, 'question')}", class_="muted"),
            class_="who",
        ),
        el(
            "p",
            el("strong", name),
            " ",
            sentence,
            class_=f"status {'signed' if name == 'Signed' else 'draft'}",
        ),
        el(
            "nav",
            el("ul", [el("li", el("a", words, href=f"#{target}")) for target, words in sections]),
            aria_label="Parts of this report",
        ),
    )


def _length(seconds: float) -> str:
    if seconds < 60:
        return f"{seconds:.0f} seconds"
    return _many(round(seconds / 60), "minute")


# -------------------------------------------------------------------------------------------------- cautions
def _cautions(story: Story, record: list[str]) -> Html:
    """What the reader must know first: a record that does not hold, what the draft still deserves, the rest."""
    severe = [
        el("li", el("strong", "The record does not hold. "), _words(problem), class_="severe")
        for problem in record
    ]
    standing, passing = _flags(story)
    if story.prescription is not None:
        for eye in ("right", "left"):
            held = story.prescription.get(eye)
            if isinstance(held, Mapping) and held.get("examined") is False and held.get("sphere") is not None:
                standing.append(el("li", el("strong", f"{_EYES[eye]}: "), "carried over from the start, not examined."))
            elif isinstance(held, Mapping) and held.get("complete") is False:
                standing.append(el("li", el("strong", f"{_EYES[eye]}: "), "its exam was not completed."))
    count = len(severe) + len(standing) + len(passing)
    if not count:
        return el("section", el("p", "No cautions were raised.", class_="none"), aria_label="Cautions")
    first, later = [*severe, *standing], passing
    return el(
        "section",
        el("h2", _many(count, "caution"), id="cautions"),
        el("ul", first) if first else None,
        el("h3", "Raised on the way") if first and later else None,
        el("ul", later) if later else None,
        class_="cautions",
        aria_labelledby="cautions",
    )


def _flags(story: Story) -> tuple[list[Html], list[Html]]:
    """The flags as list items: those the draft still deserves by its own list, and those raised on the way.

    A draft that keeps no such list deserves them all.
    """
    listed = (story.prescription or {}).get("cautions")
    deserved = {str(code) for code in listed} if isinstance(listed, (list, tuple)) else None
    grouped: dict[tuple[str, str, str], list[int]] = {}
    for flag in story.of_kind("flag"):
        code, eye = str(flag.get("code", "")), str(flag.get("eye", "both"))
        says = str(flag.get("says") or code.replace("_", " ") or "caution")
        grouped.setdefault((code, eye, says), []).append(flag["seq"])
    standing, passing = [], []
    for (code, eye, says), seqs in grouped.items():
        links = [joined(", " if place else "", _to_line(seq)) for place, seq in enumerate(seqs)]
        where = "" if eye == "both" else f"{_EYES.get(eye, eye)}: "
        item = el("li", el("strong", where), _words(says), " ", el("span", links, class_="where"))
        stands = deserved is None or code in deserved or f"{code}:{eye}" in deserved
        (standing if stands else passing).append(item)
    raised = {code for code, _, _ in grouped} | {f"{code}:{eye}" for code, eye, _ in grouped}
    for code in sorted((deserved or set()) - raised):
        name, _, eye = code.partition(":")
        where = f"{_EYES.get(eye, eye)}: " if eye else ""
        standing.append(el("li", el("strong", where), _words(name.replace("_", " ")), "."))
    return standing, passing


# ---------------------------------------------------------------------------------------------- prescription
def _lens(held: object) -> Lens | None:
    if not isinstance(held, Mapping):
        return None
    try:
        return lens_of(dict(held))
    except (LensError, TypeError, KeyError):
        return None


def _prescription(story: Story) -> Html:
    prescription = story.prescription
    if prescription is None:
        return el(
            "section",
            el("h2", "Prescription", id="prescription"),
            el("p", "None yet: the exam can be gone on with by resume.", class_="none"),
        )
    eyes = {
        name: held if isinstance(held := prescription.get(name), Mapping) else {} for name in ("right", "left")
    }
    lenses = {name: _lens(held) for name, held in eyes.items()}
    intervals = {name: pictures.interval_of(dict(held)) for name, held in eyes.items()}
    pd = prescription.get("pd")
    pd_text = f"{pd:g} mm" if isinstance(pd, (int, float)) else "not taken"
    name = _status(story)[0]
    by_hand = prescription.get("by_hand")
    table = el(
        "table",
        el("caption", f"{name} prescription", class_="sr"),
        el(
            "thead",
            el(
                "tr",
                [
                    el("th", words, scope="col")
                    for words in ("Eye", "Written in", "Sphere", "Cylinder", "Axis", "Add", "Acuity", "Entering")
                ],
            ),
        ),
        [_eye_rows(eye, eyes[eye], lenses[eye], intervals[eye]) for eye in ("right", "left")],
        class_="rx",
    )
    facts = [("PD", pd_text)]
    near_pd = prescription.get("near_pd")
    if near_pd is not None:
        reckoned = " (reckoned)" if prescription.get("near_pd_computed") else ""
        facts.append(("Near PD", _measure("near_pd", near_pd) + reckoned))
    if age := _age(story) or story.start.get("age"):
        facts.append(("Age", f"{age} years"))
    facts += [
        (_name(key), _measure(key, held))
        for key, held in story.recorded().items()
        if key not in _APART and held not in (None, [], {}, "")
    ]
    if prescription.get("confirmed") is not None:
        facts.append(("Read back", "confirmed" if prescription["confirmed"] else "not confirmed"))
    if isinstance(by_hand, Mapping):
        facts.append(
            (
                "Changed by hand",
                f"{plain_text(by_hand.get('changed'))}"
                + (f", by {by_hand['by']}" if by_hand.get("by") else "")
                + (f": {by_hand['reason']}" if by_hand.get("reason") else ""),
            )
        )
    return el(
        "section",
        el("h2", "Prescription", id="prescription"),
        el(
            "div",
            el(
                "figure",
                pictures.trial_frame(
                    lenses["right"], lenses["left"], (intervals["right"], intervals["left"]), pd_text
                ),
                el("figcaption", "As seen facing the wearer."),
                class_="worn",
            ),
            el(
                "div",
                el("div", table, class_="scroll", tabindex="0", role="region", aria_label="Prescription table"),
                _more(eyes),
                el("dl", [el("div", el("dt", term), el("dd", _words(words))) for term, words in facts], class_="facts"),
            ),
            class_="prescription",
        ),
    )


def _more(eyes: Mapping[str, Mapping[str, object]]) -> Html | None:
    """What else was found for each eye, side by side; keys this page does not know are shown as they are."""
    rows: list[tuple[str, list[str]]] = []
    if any(isinstance(held.get("change"), Mapping) for held in eyes.values()):
        rows.append(("Change from the start: M, J0, J45", [_change(held.get("change")) for held in eyes.values()]))
    known = (key for held in eyes.values() for key in held)
    for key in dict.fromkeys(str(key) for key in known if key not in _EYE_KEYS):
        values = [held.get(key) for held in eyes.values()]
        if any(value is not None for value in values):
            rows.append((_name(key), ["-" if value is None else _measure(key, value) for value in values]))
    if not rows:
        return None
    return el(
        "table",
        el("caption", "Also found", class_="sr"),
        el("thead", el("tr", el("td"), [el("th", _EYES[eye], scope="col") for eye in eyes])),
        el(
            "tbody",
            [
                el("tr", el("th", name, scope="row"), [el("td", _words(value)) for value in values])
                for name, values in rows
            ],
        ),
        class_="more",
    )


def _change(held: object) -> str:
    if not isinstance(held, Mapping):
        return "-"
    parts = [held.get(key) for key in ("m", "j0", "j45")]
    return ", ".join(f"{part:+.2f}" if isinstance(part, (int, float)) else "-" for part in parts)


def _age(story: Story) -> object:
    ages = [
        held.get("value")
        for held in story.of_kind("heard")
        if held.get("meaning") == "set_age" and held.get("accepted") and (held.get("used") or "amends" in held)
    ]
    return ages[-1] if ages else None


def _eye_rows(eye: str, held: Mapping[str, object], lens: Lens | None, interval: pictures.Interval) -> Html:
    name = _EYES[eye]
    if lens is None:
        return el(
            "tbody",
            el("tr", el("th", name, scope="row"), el("td", "not measured", colspan=7, class_="none")),
        )
    try:
        plus = to_plus(lens)
    except LensError:
        plus = None
    add = held.get("add")
    rows = 1 + (plus is not None and bool(lens.cylinder)) + bool(interval)
    spanning = [
        el("td", f"{add:+.2f}" if isinstance(add, (int, float)) and add else "-", rowspan=rows),
        el("td", str(held.get("acuity") or "-"), rowspan=rows),
        el("td", str(held.get("entering_acuity") or "-"), rowspan=rows, class_="muted"),
    ]
    made = [
        el(
            "tr",
            el("th", name, scope="row", rowspan=rows),
            el("td", "minus cylinder" if lens.cylinder else "sphere only", class_="form"),
            el("td", signed(lens.sphere) if lens.sphere else "plano"),
            el("td", signed(lens.cylinder) if lens.cylinder else "-"),
            el("td", f"{lens.axis:03d}" if lens.cylinder else "-"),
            spanning,
            class_="main",
        )
    ]
    if plus is not None and lens.cylinder:
        made.append(
            el(
                "tr",
                el("td", "plus cylinder", class_="form"),
                el("td", signed(plus.sphere) if plus.sphere else "plano"),
                el("td", signed(plus.cylinder)),
                el("td", f"{plus.axis:03d}"),
                class_="plus",
            )
        )
    if interval:

        def span(key: str) -> str:
            if key not in interval:
                return ""
            low, high = interval[key]
            if key == "axis":
                return " to ".join(f"{(round(end) - 1) % 180 + 1:03d}" for end in (low, high))
            return f"{low:+.2f} to {high:+.2f}"

        made.append(
            el(
                "tr",
                el("td", "95 % interval", class_="form"),
                [el("td", span(key)) for key in ("sphere", "cylinder", "axis")],
                class_="spans",
            )
        )
    return el("tbody", made)


def _spoken_notes(story: Story) -> Html | None:
    notes = [
        held
        for held in story.of_kind("heard")
        if held.get("meaning") == "note" and held.get("accepted") and "amends" not in held
    ]
    if not notes:
        return None
    items = []
    for held in notes:
        amended = story.corrections.get(held["seq"])
        words = (held if amended is None else amended).get("value") or held.get("text")
        items.append(el("li", el("span", words, class_="said", dir="auto"), " ", _to_line(held["seq"])))
    return el("section", el("h2", "Notes"), el("ul", items), class_="notes")


# ------------------------------------------------------------------------------------------------------ eyes
def _eye(story: Story, eye: EyeStory) -> Html | None:
    name = _EYES.get(eye.eye, eye.eye.capitalize())
    if not eye.asked:
        return None
    if eye.eye not in ("right", "left"):
        return _both(story, eye, name)
    prescription = story.prescription or {}
    held = prescription.get(eye.eye)
    result = eye_written(dict(held)) if isinstance(held, Mapping) and _lens(held) is not None else None
    interval = pictures.interval_of(dict(held)) if isinstance(held, Mapping) else {}
    by_hand = prescription.get("by_hand")
    changed = isinstance(by_hand, Mapping) and eye.eye in (by_hand.get("changed") or ())
    check = over_minus(eye)
    vector = None if eye.ended is None else eye.ended.vector
    panels = [
        _figure(
            pictures.plane(eye, interval),
            "The search for the cylinder",
            joined(
                "" if vector is None else f"Ended at J0 {vector.j0:+.2f}, J45 {vector.j45:+.2f} D (double ring). ",
                el(
                    "span",
                    "Circles are dioptres of cylinder, the numbers around them its axis; thin rods are the pairs shown.",
                    class_="how",
                ),
            ),
        ),
        _figure(
            pictures.acuity_by_power(eye),
            "Acuity against the lens",
            pictures.gain(readings(eye)),
        ),
        None
        if check is None
        else _figure(
            pictures.over_minus_picture(check, eye.eye),
            "Over-minus check",
            check.said + (f" {_many(check.earlier, 'earlier check')} in the conversation." if check.earlier else ""),
        ),
    ]
    return el(
        "section",
        el("h2", name, el("span", result, class_="result") if result else None, id=eye.eye),
        el(
            "p",
            eye.gist[0].upper() + eye.gist[1:],
            " The prescription was changed by hand afterwards." if changed else "",
            class_="gist",
        ),
        el(
            "figure",
            el("h3", "The lens over the questions"),
            el(
                "div",
                pictures.tracks(eye, interval),
                class_="scroll",
                tabindex="0",
                role="region",
                aria_label=f"{name}, the lens over the questions",
            ),
            _legend(eye),
            _scrub(eye),
            class_="tracks-figure",
        ),
        el("div", panels, class_="panels"),
        _questions(eye, opened=False),
        class_="eye",
    )


def _both(story: Story, eye: EyeStory, name: str) -> Html:
    right = story.eyes.get("right")
    drawn = pictures.together(eye, None if right is None else right.ended)
    picture = None
    if drawn is not None:
        told = []
        if any(held.step == "balance" for held in eye.asked):
            told.append("In the balance, one is the right eye and two the left, each behind its own lens.")
        if any(held.step in pictures.NEAR for held in eye.asked):
            told.append("Near pairs show the addition over the distance lens.")
        label = f"{name}, questions and answers as a picture"
        picture = el(
            "figure",
            el("div", drawn, class_="scroll", tabindex="0", role="region", aria_label=label),
            el("figcaption", " ".join(told)) if told else None,
            class_="tracks-figure",
        )
    return el(
        "section",
        el("h2", name, id=eye.eye),
        el("p", _many(len(eye.asked), "question") + " to both eyes together, or to neither.", class_="gist"),
        picture,
        _questions(eye, opened=False),
        class_="eye both",
    )


def _figure(picture: Html | None, title: str, caption: Child) -> Html | None:
    if picture is None:
        return None
    return el("figure", el("h3", title), picture, el("figcaption", caption))


def _legend(eye: EyeStory) -> Html:
    def mark(*drawn: Html) -> Html:
        return el("svg", drawn, viewBox="0 0 20 18", width=20, height=18, aria_hidden="true", class_="key")

    from . import drawing as draw

    entries = [
        (mark(draw.badge(10, 9, "first", False, None)), f"one preferred ({eye.count('first')})"),
        (mark(draw.badge(10, 9, "second", False, None)), f"two preferred ({eye.count('second')})"),
        (mark(draw.badge(10, 9, "same", False, None)), f"the same ({eye.count('same')})"),
        (
            mark(draw.badge(10, 9, "first", True, None)),
            f"open: hesitant ({sum(held.hedged for held in eye.asked)})",
        ),
        (
            mark(draw.disc(10, 9, 2.4, "again")),
            f"below: asked again ({sum(held.asked_again for held in eye.asked)})",
        ),
        (mark(draw.diamond(10, 9, 4.6, "reading")), "line read"),
        (mark(draw.path(((5.5, 9), (8.5, 12.5), (14.5, 5)), "stroke")), "letter read"),
        (mark(draw.cross(10, 9, 3.6, "stroke")), "none read"),
    ]
    if any(held.undone for held in eye.asked):
        entries.append(
            (
                mark(
                    el("g", draw.badge(10, 9, "second", False, None), class_="undone"),
                    draw.line(3, 16, 17, 2, "strike"),
                ),
                "taken back",
            )
        )
    if any(held.amended is not None for held in eye.asked):
        entries.append((mark(el("rect", x=1.5, y=0.5, width=17, height=17, class_="amended")), "corrected in review"))
    return el("ul", [el("li", picture, words) for picture, words in entries], class_="legend")


def _scrub(eye: EyeStory) -> Html:
    last = len(eye.asked)
    identity = f"scrub-{eye.eye}"
    return el(
        "div",
        el("label", "Question", for_=identity),
        el("input", type="range", id=identity, min=1, max=last, value=last, step=1),
        el("a", "Read it in the conversation", href=f"#e{eye.asked[-1].line}", class_="its-line"),
        el("p", eye.asked[-1].told, class_="told"),
        class_="scrub",
        hidden=True,
        data_eye=eye.eye,
    )


def _questions(eye: EyeStory, opened: bool) -> Html:
    """The pictures as a table: every question with its answer."""
    head = ("No.", "Step", "One, or what was asked", "Two", "Answer", "Seconds", "Event")
    rows = []
    for held in eye.asked:
        offered = held.offered
        rows.append(
            el(
                "tr",
                el("th", held.place, scope="row"),
                el("td", step_name(held.step)),
                [el("td", words) for words in offered] if len(offered) == 2 else el("td", offered[0], colspan=2),
                el("td", _answer_text(held)),
                el("td", "" if held.after is None else f"{held.after:.1f}"),
                el("td", _to_line(held.line, str(held.line))),
            )
        )
    name = _EYES.get(eye.eye, eye.eye)
    return el(
        "details",
        el("summary", f"{name}: every question as a table"),
        el(
            "div",
            el(
                "table",
                el("caption", f"{name}, questions and answers", class_="sr"),
                el("thead", el("tr", [el("th", words, scope="col") for words in head])),
                el("tbody", rows),
                class_="questions",
            ),
            class_="scroll",
            tabindex="0",
            role="region",
            aria_label=f"{name}, questions and answers",
        ),
        open=opened,
    )


def _answer_text(held: Asked) -> Child:
    if held.answer is None:
        return "no answer"
    parts = [meaning_text(held.answer)]
    if held.hedged:
        parts.append("hesitant")
    if held.asked_again:
        parts.append(held.asked_often)
    if held.amended is not None:
        parts.append(f"corrected to {meaning_text(held.amended)}")
    words = ", ".join(parts)
    return joined(el("s", words), " taken back") if held.undone else words


# ---------------------------------------------------------------------------------------------- conversation
def _conversation(story: Story, sounds: Sounds) -> Html:
    head = ("Event", "Time", "Who", "Words", "Understood as", "Certainty", "Hear")
    shows = (("all", "everything"), ("answers", "answers and cautions"), ("doubt", "what was in doubt"))
    whole = None
    if sounds.conversation is not None:
        inside = sounds.conversation.startswith("data:")
        whole = joined(
            el("h3", "The whole recording", id="whole-name"),
            el(
                "audio",
                id="whole",
                controls=True,
                preload="none",
                src=None if inside else sounds.conversation,
                aria_labelledby="whole-name",
            ),
            data("whole-sound", sounds.conversation) if inside else None,
        )
    return el(
        "section",
        el("h2", "Conversation", id="conversation"),
        el(
            "div",
            el("button", "Play", type="button", id="run", aria_label="Play the exam from here"),
            el(
                "div",
                el(
                    "div",
                    el("p", "Right", class_="lane-name"),
                    el("p", "Left", class_="lane-name"),
                    el("p", "Both", class_="lane-name"),
                    pictures.timeline(story),
                    class_="strip",
                ),
                el(
                    "input",
                    type="range",
                    id="seek",
                    min=0,
                    max=round(max(story.length, 0.1), 1),
                    step=0.1,
                    value=0,
                    aria_label="Place in the exam",
                ),
                el("p", f"0:00 of {_when(story.length)}", id="place", class_="muted"),
                class_="seek",
            ),
            class_="player",
            role="group",
            aria_label="Timeline",
            hidden=True,
        ),
        whole,
        el(
            "p",
            "A wrong hearing is corrected with ",
            el("code", "amend DIR --event NUMBER --meaning first"),
            " (or second, same, set_axis ...): the log keeps both.",
            class_="muted how",
        ),
        el(
            "fieldset",
            el("legend", "Show"),
            [
                el(
                    "label",
                    el("input", type="radio", name="show", value=value, checked=value == "all", id=f"show-{value}"),
                    " ",
                    words,
                )
                for value, words in shows
            ],
            el("label", el("input", type="checkbox", id="print-talk"), " print the conversation too", class_="print-talk"),
            class_="filters",
        ),
        el(
            "div",
            el(
                "table",
                el("caption", "The conversation, line by line", class_="sr"),
                el("thead", el("tr", [el("th", words, scope="col") for words in head])),
                el("tbody", list(_rows(story, sounds))),
                class_="talk",
            ),
            class_="scroll",
            tabindex="0",
            role="region",
            aria_label="The conversation, line by line",
        ),
        class_="conversation",
    )


def _rows(story: Story, sounds: Sounds) -> Iterator[Html]:
    where = ""
    pending: Event | None = None
    answers = {held.line: held for eye in story.eyes.values() for held in eye.asked if held.answer is not None}
    missed = {miss["seq"] for eye in story.eyes.values() for held in eye.asked for miss in held.misses}
    for held, at in zip(story.log.events, story.seconds, strict=True):
        kind = held["kind"]
        if pending is not None and kind != "question":
            yield _prompt_row(pending, None, at, where)
            pending = None
        if kind == "prompt" and held.get("key") == "ask":
            pending = held
        elif kind == "question":
            where = f"{_EYES.get(str(held.get('eye')), str(held.get('eye')))}, {step_name(held.get('step'))}"
            yield _prompt_row(pending, held, at, where)
            pending = None
        elif kind == "prompt":
            yield _prompt_row(held, None, at, where)
        elif kind == "heard":
            yield _heard_row(story, sounds, held, at, where, answers.get(held["seq"]), held["seq"] in missed)
        elif kind == "step":
            if held.get("status") == "begun":
                where = f"{_EYES.get(str(held.get('eye')), str(held.get('eye')))}, {step_name(held.get('step'))}"
            if held.get("status") != "done":  # what begins next says so
                yield _step_row(held, at, where)
        elif kind == "flag":
            yield _line_row(held, at, where, "r-flag", "Caution", _words(held.get("says") or held.get("code")))
        elif kind == "lens":
            lens = lens_or_none(held)
            words = plain_text(_rest(held)) if lens is None else lens_text(lens)
            yield _line_row(held, at, where, "r-lens", "dials", f"{_EYES.get(str(held.get('eye')), '')}: {words}")
        elif kind == "prescription":
            yield _line_row(held, at, where, "r-rx", "record", _prescription_words(held))
        else:
            yield _line_row(held, at, where, "r-other", kind, plain_text(_rest(held)))
    if pending is not None:
        yield _prompt_row(pending, None, story.length, where)


def _rest(held: Event) -> Event:
    return {key: value for key, value in held.items() if key not in LOG_KEYS}


def _tr(held: Event, at: float, where: str, class_: str, *cells: Child) -> Html:
    return el("tr", cells, id=f"e{held['seq']}", class_=class_, data_at=round(at, 2), data_where=where)


def _time(held: Event, at: float) -> Html:
    return joined(el("td", held["seq"], class_="number"), el("td", _when(at), class_="time"))


def _prompt_row(prompt: Event | None, question: Event | None, at: float, where: str) -> Html:
    held = prompt if prompt is not None else question
    assert held is not None
    words: Child = _words(prompt.get("say", "")) if prompt is not None else ""
    anchor = None
    if question is not None:
        lenses = _question_words(question)
        again = question.get("attempt")
        words = joined(words, el("span", lenses, class_="lenses") if lenses else None)
        if prompt is not None:
            anchor = el("span", id=f"e{question['seq']}", class_="anchor")
        if again:
            words = joined(words, el("span", "asked again", class_="mark"))
    to = "" if prompt is None else str(prompt.get("to", ""))
    return _tr(
        held,
        at,
        where,
        "r-prompt r-again" if question is not None and question.get("attempt") else "r-prompt",
        _time(held, at),
        el("td", "assistant", el("span", f" to {to}", class_="muted") if to == "patient" else None),
        el("td", anchor, words, colspan=4),
    )


def _question_words(question: Event) -> str:
    choices = question.get("choices")
    if isinstance(choices, (list, tuple)) and len(choices) == 2:
        one, two = (plain_text(choice) for choice in choices)
        return f"one {one} · two {two}"
    lens = lens_or_none(question.get("lens"))
    if lens is not None:
        line = question.get("line")
        return (f"{line} through " if line else "through ") + lens_text(lens)
    return ""


def _step_row(held: Event, at: float, where: str) -> Html:
    status = str(held.get("status", ""))
    eye = str(held.get("eye", ""))
    class_ = "r-step begun" if status == "begun" else "r-step"
    return _tr(
        held,
        at,
        where,
        class_,
        _time(held, at),
        el(
            "td",
            f"{_EYES.get(eye, eye)}, {step_name(held.get('step'))}",
            "" if status == "begun" else f": {status}",
            colspan=5,
        ),
    )


def _line_row(held: Event, at: float, where: str, class_: str, who: str, words: Child) -> Html:
    return _tr(held, at, where, class_, _time(held, at), el("td", who), el("td", words, colspan=4))


def _prescription_words(held: Event) -> Child:
    def eye(name: str) -> str:
        try:
            return eye_written(held[name])
        except (KeyError, TypeError, LensError, ValueError, AttributeError):
            return "cannot be read"

    pd = held.get("pd")
    words = f"right {eye('right')}; left {eye('left')}" + (f"; PD {plain_text(pd)} mm" if pd is not None else "")
    signed_by = held.get("signed")
    if isinstance(signed_by, Mapping):
        return joined("signed by ", _words(signed_by.get("by")), f", licence {signed_by.get('licence')}: {words}")
    if isinstance(held.get("by_hand"), Mapping):
        return joined("changed by hand: ", words)
    return f"{held.get('status', 'draft')} prescription: {words}"


def _heard_row(
    story: Story, sounds: Sounds, held: Event, at: float, where: str, asked: Asked | None, missed: bool
) -> Html:
    seq = held["seq"]
    amended = story.corrections.get(seq)
    amends = held.get("amends")
    doubt = (
        not held.get("accepted")
        or bool(held.get("hedged"))
        or missed
        or amended is not None
        or amends is not None
        or (asked is not None and asked.asked_again)
    )
    by = held.get("by")
    text = held.get("text") or ""
    words: Child = (
        el("q", _words(text), class_="said") if text else el("span", "(nothing was said)", class_="muted")
    )
    understood: Child = meaning_text(held) or "-"
    if held.get("meaning") == "note":
        understood = "note"
    if amends is not None:
        words = joined("correction of ", _to_line(amends), ": ", words)
        by = held.get("amended_by") or "review"
        if held.get("reason"):
            words = joined(words, el("span", " reason: ", _words(held["reason"]), class_="mark"))
    elif amended is not None:
        understood = joined(
            el("s", understood), " ", el("strong", meaning_text(amended)), " ", _to_line(amended["seq"], "corrected")
        )
    elif seq in story.undone:
        understood = joined(el("s", understood), " taken back")
    more = {key: value for key, value in held.items() if key not in _HEARD_KEYS and value is not None}
    if more:
        words = joined(words, el("span", " ", plain_text(more), class_="mark"))
    class_ = "r-heard" + (" r-doubt" if doubt else "") + (" r-answer" if asked is not None else "")
    return _tr(
        held,
        at,
        where,
        class_,
        _time(held, at),
        el("td", _words(by or "heard")),
        el("td", words),
        el("td", understood),
        el("td", _certainty(held, asked)),
        el("td", _play(sounds, held, by, text), class_="hear"),
    )


def _certainty(held: Event, asked: Asked | None) -> Child:
    if "amends" in held:
        return "by hand"
    parts: list[str] = []
    outcome = str(held.get("outcome") or ("heard" if held.get("accepted") else "not_understood"))
    if outcome != "heard":
        parts.append(_OUTCOMES.get(outcome, outcome.replace("_", " ")))
    elif held.get("hedged"):
        parts.append("hesitant")
    elif held.get("typed"):
        parts.append("typed")
    else:
        parts.append("sure")
    if held.get("accepted") and held.get("used") is False:
        parts.append("not used")
    if asked is not None and asked.asked_again:
        parts.append(asked.asked_often)
    detail = []
    score, after = held.get("score"), held.get("after")
    if isinstance(after, (int, float)) and outcome != "silence":
        detail.append(f"after {after:.1f} s")
    if isinstance(score, (int, float)):
        detail.append(f"score {score:+.1f}")
    return joined(
        el("span", ", ".join(parts), class_="doubtful" if outcome != "heard" or held.get("hedged") else None),
        el("span", ", ".join(detail), class_="mark") if detail else None,
    )


def _play(sounds: Sounds, held: Event, by: object, text: str) -> Child:
    seq = held["seq"]
    if seq in sounds.utterances:
        return el(
            "button",
            el("span", "▶", aria_hidden="true"),
            type="button",
            class_="play",
            data_sound=seq,
            aria_label=f"Play line {seq}, {by or 'heard'}: {text[:60]}",
        )
    if seq in sounds.faults:
        return el("span", sounds.faults[seq], class_="mark")
    return ""


def _clock(story: Story, sounds: Sounds) -> dict[str, object]:
    """How exam time and the whole recording's time belong together: pairs of seconds, or nothing.

    Events may carry `position`, the second of the recording at which they were. Without it the two clocks are
    taken as one where they are equally long, and are else not tied: a guess would play the wrong words.
    """
    if sounds.conversation is None:
        return {"pairs": []}
    pairs = [
        [round(at, 2), float(held["position"])]
        for held, at in zip(story.log.events, story.seconds, strict=True)
        if isinstance(held.get("position"), (int, float))
    ]
    if not pairs and sounds.seconds and abs(sounds.seconds - story.length) <= max(3.0, 0.03 * story.length):
        pairs = [[0.0, 0.0], [story.length, story.length]]
    return {"pairs": pairs}


# ------------------------------------------------------------------------------------------------ signatures
def _signatures(story: Story) -> Html:
    items = []
    for held in story.of_kind("prescription"):
        who = held.get("signed")
        if not isinstance(who, Mapping):
            continue
        covers = who.get("covers")
        count = covers.get("events") if isinstance(covers, Mapping) else "?"
        digest = str(covers.get("hash", ""))[:16] if isinstance(covers, Mapping) else ""
        force = story.signature is not None and story.signature["seq"] == held["seq"]
        how = "by key (Ed25519)" if who.get("method") == "ed25519" else "by name"
        items.append(
            el(
                "li",
                el("strong", _words(who.get("by"))),
                f", licence {who.get('licence')}, {who.get('at')}, {how}; covers the first {count} lines, "
                f"hash {digest}… ",
                _to_line(held["seq"]),
                "" if force else el("em", " no longer in force: the record was changed after it"),
            )
        )
    changes = []
    for held in story.of_kind("heard"):
        if "amends" not in held:
            continue
        before = story.log.events[held["amends"]] if 0 <= held["amends"] < len(story.log.events) else {}
        changes.append(
            el(
                "li",
                _to_line(held["amends"]),
                ", ",
                el("q", _words(before.get("text", ""))),
                f": was {meaning_text(before) or 'nothing'}, corrected to {meaning_text(held)}",
                joined(" by ", _words(held["amended_by"])) if held.get("amended_by") else "",
                joined(": ", _words(held["reason"])) if held.get("reason") else "",
                " (",
                _to_line(held["seq"]),
                ")",
            )
        )
    for held in story.of_kind("prescription"):
        by_hand = held.get("by_hand")
        if isinstance(by_hand, Mapping) and not held.get("signed"):
            changes.append(
                el(
                    "li",
                    f"Prescription changed by hand ({plain_text(by_hand.get('changed'))})",
                    joined(" by ", _words(by_hand["by"])) if by_hand.get("by") else "",
                    joined(": ", _words(by_hand["reason"])) if by_hand.get("reason") else "",
                    " (",
                    _to_line(held["seq"]),
                    ")",
                )
            )
    return el(
        "section",
        el("h2", "Signatures", id="signatures"),
        el("ul", items) if items else el("p", "None: the prescription is a draft.", class_=None if changes else "none"),
        joined(el("h3", "Corrections"), el("ul", changes)) if changes else None,
        class_="signatures",
    )


def _footer(story: Story, notes: list[str]) -> Html:
    header = story.log.header
    facts = [
        f"{key} {header[key]}"
        for key in ("version", "engine", "model", "listen")
        if header.get(key) and isinstance(header[key], (str, int, float))
    ]
    return el(
        "footer",
        el(
            "p",
            f"{_many(len(story.log.events), 'line')} in the log, ending in ",
            el("code", story.log.last_hash[:16]),
            f". {', '.join(facts)}" if facts else "",
        ),
        el("ul", [el("li", _words(note)) for note in notes]) if notes else None,
        el("p", "Built from the exam's log alone. It assists; a licensed practitioner prescribes."),
    )

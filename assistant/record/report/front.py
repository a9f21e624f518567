"""What the report says before and after the pictures: status, cautions, prescription, notes, signatures."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from ...optics.lens import CLICK, Lens, LensError
from ...optics.transpose import PlusCylinderForm, signed, to_plus
from ...protocol.plan import CLICKS_EXPECTED, PLUS_CHECK, PLUS_CHECK_USUAL
from ..events import Event
from ..prescription import dioptres_written, not_confirmed, overtaken
from .frame import Interval, interval_of, trial_frame
from .markup import Child, Html, el, joined
from .story import Story, meaning_text, over_minus, plain_text
from .words import age_of, eye_name, lens_prescribed, many, measure, moment_text, name_of, status, to_event, words_of

_CHANGE = "Change from the start: M, J0, J45; along the meridian that changed most"
_EYE_KEYS = frozenset(
    {
        *("sphere", "cylinder", "axis", "add", "acuity", "entering_acuity", "complete", "examined"),
        *("interval", "change", "over_minus"),
    }
)
# Of the prescription, what stands beside the two eyes and has its own place on the page.
_APART = frozenset({"pd", "near_pd", "near_pd_computed", "cautions"})


def patient(story: Story) -> str:
    """The patient's code."""
    held = story.start.get("patient")
    return str(held) if held else "without a code"


def header(story: Story) -> Html:
    """Who, when, and where the prescription stands; links to the parts of the page."""
    name, sentence = status(story)
    at = story.log.events[0].get("at") if story.log.events else None
    when = el("time", moment_text(at), datetime=at) if at else Html("time unknown")
    questions = sum(len(eye.asked) for eye in story.eyes.values())
    sections = [
        ("prescription", "Prescription"),
        *((name_, eye_name(name_)) for name_ in story.eyes),
        ("conversation", "Conversation"),
        ("signatures", "Signatures"),
    ]
    return el(
        "header",
        el(
            "div",
            el("h1", "Subjective refraction ", el("span", words_of(patient(story)), class_="code")),
            el("p", when, f" · {_length(story)} · {many(questions, 'question')}", class_="muted"),
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


def _length(story: Story) -> str:
    if story.log.header.get("listen") == "recording":
        return "from a recording"  # it is heard faster than it was spoken: the events' times are not the exam's
    seconds = story.length
    return f"{seconds:.0f} seconds" if seconds < 60 else many(round(seconds / 60), "minute")


def cautions(story: Story, record: list[str]) -> Html:
    """What the reader must know first: a record that does not hold, what the draft still deserves, the rest."""
    severe = [
        el("li", el("strong", "The record does not hold. "), words_of(problem), class_="severe") for problem in record
    ]
    standing, passing = _flags(story)
    told = {str(flag.get("eye")) for flag in story.of_kind("flag") if flag.get("code") == "incomplete"}
    if story.prescription is not None:
        for eye in ("right", "left"):
            held = story.prescription.get(eye)
            if isinstance(held, Mapping) and held.get("examined") is False and held.get("sphere") is not None:
                standing.append(
                    el("li", el("strong", f"{eye_name(eye)}: "), "carried over from the start, not examined.")
                )
            elif isinstance(held, Mapping) and held.get("complete") is False and eye not in told:
                standing.append(el("li", el("strong", f"{eye_name(eye)}: "), "its exam was not completed."))
    count = len(severe) + len(standing) + len(passing)
    if not count:
        return el("section", el("p", "No cautions were raised.", class_="none"), aria_label="Cautions")
    first, later = [*severe, *standing], passing
    return el(
        "section",
        el("h2", many(count, "caution"), id="cautions"),
        el("ul", first) if first else None,
        el("h3", "Raised on the way") if first and later else None,
        el("ul", later) if later else None,
        class_="cautions",
        aria_labelledby="cautions",
    )


def _flags(story: Story) -> tuple[list[Html], list[Html]]:
    """The flags as list items: those the draft still deserves by its own list, and those raised on the way.

    A draft that keeps no such list deserves them all, but those found with what was changed by hand since.
    """
    listed = (story.prescription or {}).get("cautions")
    deserved = {str(code) for code in listed} if isinstance(listed, (list, tuple)) else None
    gone = overtaken(story.prescription)
    grouped: dict[tuple[str, str, str], list[int]] = {}
    passed: list[Html] = []
    for flag in story.of_kind("flag"):
        code, eye = str(flag.get("code", "")), str(flag.get("eye", "both"))
        says = str(flag.get("says") or code.replace("_", " ") or "caution")
        if flag["seq"] in gone:
            passed.append(_caution(eye, says, [flag["seq"]], el("em", "Before the change by hand: ")))
        else:
            grouped.setdefault((code, eye, says), []).append(flag["seq"])
    standing: list[Html] = []
    passing: list[Html] = []
    for (code, eye, says), seqs in grouped.items():
        item = _caution(eye, says, seqs)
        stands = deserved is None or code in deserved or f"{code}:{eye}" in deserved
        (standing if stands else passing).append(item)
    raised = {code for code, _, _ in grouped} | {f"{code}:{eye}" for code, eye, _ in grouped}
    for code in sorted((deserved or set()) - raised):
        name, _, eye = code.partition(":")
        where = f"{eye_name(eye)}: " if eye else ""
        words = name.replace("_", " ")
        standing.append(el("li", el("strong", where), words_of(words if where else words.capitalize()), "."))
    return standing, passing + passed


def _caution(eye: str, says: str, seqs: list[int], before: Child = None) -> Html:
    links = [joined(", " if place else "", to_event(seq)) for place, seq in enumerate(seqs)]
    where = "" if eye == "both" or says.startswith(eye_name(eye)) else f"{eye_name(eye)}: "
    return el("li", before, el("strong", where), words_of(says), " ", el("span", links, class_="where"))


def prescription(story: Story) -> Html:
    """The prescription as a trial frame and as a table in both cylinder forms, with all that was found beside it."""
    held = story.prescription
    if held is None:
        return el(
            "section",
            el("h2", "Prescription", id="prescription"),
            el("p", "None yet: the exam can be gone on with by resume.", class_="none"),
        )
    eyes = {eye: dict(found) if isinstance(found := held.get(eye), Mapping) else {} for eye in ("right", "left")}
    lenses = {eye: lens_prescribed(found) for eye, found in eyes.items()}
    intervals = {eye: interval_of(found) for eye, found in eyes.items()}
    pd = f"{held['pd']:g} mm" if isinstance(held.get("pd"), (int, float)) else "not taken"
    columns = ("Eye", "Written in", "Sphere", "Cylinder", "Axis", "Add", "Acuity", "Entering")
    table = el(
        "table",
        el("caption", f"{status(story)[0]} prescription", class_="sr"),
        el("thead", el("tr", [el("th", words, scope="col") for words in columns])),
        [_eye_rows(eye, eyes[eye], lenses[eye], intervals[eye]) for eye in eyes],
        class_="rx",
    )
    facts = [("PD", pd), *_facts(story, held)]
    return el(
        "section",
        el("h2", "Prescription", id="prescription"),
        el(
            "div",
            el(
                "figure",
                trial_frame(lenses["right"], lenses["left"], (intervals["right"], intervals["left"]), pd),
                el("figcaption", "As seen facing the wearer."),
                class_="worn",
            ),
            el(
                "div",
                el("div", table, class_="scroll", tabindex="0", role="region", aria_label="Prescription table"),
                _more(eyes, [_line_checked(story, eye) for eye in eyes]),
                el("dl", [el("div", el("dt", term), el("dd", words_of(said))) for term, said in facts], class_="facts"),
            ),
            class_="prescription",
        ),
    )


def _facts(story: Story, held: Event) -> Iterator[tuple[str, str]]:
    """What stands beside the two eyes, PD aside: term and words."""
    if held.get("near_pd") is not None:
        reckoned = " (reckoned)" if held.get("near_pd_computed") else ""
        yield "Near PD", measure("near_pd", held["near_pd"]) + reckoned
    if age := age_of(story):
        yield "Age", f"{age} years"
    for key, found in story.recorded().items():
        if key not in _APART and found not in (None, [], {}, ""):
            yield name_of(key), measure(key, found)
    if held.get("confirmed") is not None:
        lacking = "not confirmed" if not_confirmed(held) else "not since the change by hand"
        yield "Read back", "confirmed" if held["confirmed"] else lacking
    if isinstance(by_hand := held.get("by_hand"), Mapping):
        yield "Changed by hand", _by_hand(by_hand)


def _by_hand(held: Mapping[str, object]) -> str:
    """What was changed by hand, by whom and why."""
    by = f", by {held['by']}" if held.get("by") else ""
    reason = f": {held['reason']}" if held.get("reason") else ""
    return f"{plain_text(held.get('changed'))}{by}{reason}"


def _more(eyes: Mapping[str, Mapping[str, object]], shown: list[str]) -> Html | None:
    """What else was found for each eye, side by side; keys this page does not know are shown as they are. `shown`: the
    line of each eye's over-minus check."""
    rows: list[tuple[str, list[str]]] = []
    if any(isinstance(held.get("change"), Mapping) for held in eyes.values()):
        rows.append((_CHANGE, [_change(held.get("change")) for held in eyes.values()]))
    rows += _over_minus([held.get("over_minus") for held in eyes.values()], shown)
    known = (key for held in eyes.values() for key in held)
    for key in dict.fromkeys(str(key) for key in known if key not in _EYE_KEYS):
        values = [held.get(key) for held in eyes.values()]
        if any(value is not None for value in values):
            rows.append((name_of(key), ["-" if value is None else measure(key, value) for value in values]))
    if not rows:
        return None
    return el(
        "table",
        el("caption", "Also found", class_="sr"),
        el("thead", el("tr", el("td"), [el("th", eye_name(eye), scope="col") for eye in eyes])),
        el(
            "tbody",
            [
                el("tr", el("th", name, scope="row"), [el("td", words_of(value)) for value in values])
                for name, values in rows
            ],
        ),
        class_="more",
    )


def _change(held: object) -> str:
    """M, J0 and J45, and the change along the meridian where it is largest, which is what calls for a caution."""
    if not isinstance(held, Mapping):
        return "-"
    parts = [part for key in ("m", "j0", "j45") if isinstance(part := held.get(key), (int, float))]
    if len(parts) < 3 or not all(map(math.isfinite, parts)):
        return "-"
    largest = abs(parts[0]) + math.hypot(parts[1], parts[2])
    return f"{', '.join(map(dioptres_written, parts))}; {dioptres_written(largest)[1:]}"


def _line_checked(story: Story, eye: str) -> str:
    """The line shown at the over-minus check that stands; nothing where there was none."""
    check = over_minus(story.eyes[eye]) if eye in story.eyes else None
    return "" if check is None else next((click.line for click in check.clicks if click.read is not None), "")


def _over_minus(eyes: list[object], shown: list[str]) -> Iterator[tuple[str, list[str]]]:
    """What was found against too much minus: the plus that made the line `shown` unreadable, and the line read through
    a dioptre of it, beside what is usual."""
    found = [held if isinstance(held, Mapping) else {} for held in eyes]
    unreadable = [held.get("unreadable") for held in found]
    if any(isinstance(plus, (int, float)) for plus in unreadable):
        written = [
            f"{plus:+.2f}{f' ({line})' if line else ''}" if isinstance(plus, (int, float)) else "-"
            for plus, line in zip(unreadable, shown, strict=True)
        ]
        yield f"Line shown unreadable through (usual {CLICKS_EXPECTED * CLICK / 100:+.2f})", written
    read = [(held.get("line"), held.get("plus")) for held in found]
    if any(isinstance(line, str) for line, _ in read):
        usual = PLUS_CHECK / 100
        written = [
            (line if plus == usual else f"{line} through {plus:+.2f}")
            if isinstance(line, str) and isinstance(plus, (int, float))
            else "-"
            for line, plus in read
        ]
        yield f"Line through {usual:+.2f} (usual {' to '.join(PLUS_CHECK_USUAL)})", written


def _eye_rows(eye: str, held: Mapping[str, object], lens: Lens | None, interval: Interval) -> Html:
    """An eye's rows: minus cylinder, plus cylinder, and the interval each power is known to."""
    name = eye_name(eye)
    if lens is None:
        return el("tbody", el("tr", el("th", name, scope="row"), el("td", "not measured", colspan=7, class_="none")))
    cylindrical = bool(lens.cylinder)
    more = []
    if cylindrical and (plus := _plus(lens)) is not None:
        more.append(el("tr", el("td", "plus cylinder", class_="form"), _powers(plus), class_="plus"))
    if interval:
        spans = [el("td", _span(interval, key)) for key in ("sphere", "cylinder", "axis")]
        more.append(el("tr", el("td", "95 % interval", class_="form"), spans, class_="spans"))
    rows = 1 + len(more)
    add = held.get("add")
    first = el(
        "tr",
        el(
            "th",
            name,
            el("span", lacks, class_="lacks") if (lacks := _lacks(held)) else None,
            scope="row",
            rowspan=rows,
        ),
        el("td", "minus cylinder" if cylindrical else "sphere only", class_="form"),
        _powers(lens),
        el("td", f"{add:+.2f}" if isinstance(add, (int, float)) and add else "-", rowspan=rows),
        el("td", held.get("acuity") or "-", rowspan=rows),
        el("td", held.get("entering_acuity") or "-", rowspan=rows, class_="muted"),
        class_="main",
    )
    return el("tbody", first, more)


def _lacks(held: Mapping[str, object]) -> str | None:
    """What must be known before this eye's lens is made."""
    if held.get("examined") is False:
        return "carried over, not examined"
    return "not completed" if held.get("complete") is False else None


def _plus(lens: Lens) -> PlusCylinderForm | None:
    """The plus-cylinder form; None beyond what that form can hold."""
    try:
        return to_plus(lens)
    except LensError:
        return None


def _powers(lens: Lens | PlusCylinderForm) -> list[Html]:
    """Sphere, cylinder and axis as cells, as prescriptions write them (NFOS OPT11 9a)."""
    return [
        el("td", signed(lens.sphere) if lens.sphere else "plano"),
        el("td", signed(lens.cylinder) if lens.cylinder else "-"),
        el("td", f"{lens.axis:03d}" if lens.cylinder else "-"),
    ]


def _span(interval: Interval, key: str) -> Child:
    if key not in interval:
        return ""
    if key == "axis":
        ends = [f"{(round(end) - 1) % 180 + 1:03d}" for end in interval[key]]
    else:
        ends = [dioptres_written(end) for end in interval[key]]
    return joined(el("span", ends[0]), " to ", el("span", ends[1]))


def spoken_notes(story: Story) -> Html | None:
    """What was dictated for the record, in its own words."""
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
        items.append(el("li", el("span", words, class_="said", dir="auto"), " ", to_event(held["seq"])))
    return el("section", el("h2", "Notes"), el("ul", items), class_="notes")


def signatures(story: Story) -> Html:
    """Every signature, and every change made after the exam."""
    signed_events = [held for held in story.of_kind("prescription") if isinstance(held.get("signed"), Mapping)]
    changes = [*_corrected(story), *_changed_by_hand(story)]
    unsigned = el("p", "None: the prescription is a draft.", class_=None if changes else "none")
    return el(
        "section",
        el("h2", "Signatures", id="signatures"),
        el("ul", [_signature(story, held) for held in signed_events]) if signed_events else unsigned,
        joined(el("h3", "Corrections"), el("ul", changes)) if changes else None,
        class_="signatures",
    )


def _signature(story: Story, held: Event) -> Html:
    who = held["signed"]
    covers = who.get("covers")
    covers = covers if isinstance(covers, Mapping) else {}
    force = story.signature is not None and story.signature["seq"] == held["seq"]
    how = "by key (Ed25519)" if who.get("method") == "ed25519" else "by name"
    return el(
        "li",
        el("strong", words_of(who.get("by"))),
        f", licence {who.get('licence')}, {moment_text(who.get('at'))}, {how}; covers the first "
        f"{covers.get('events', '?')} events, hash {str(covers.get('hash', ''))[:16]}… ",
        to_event(held["seq"]),
        "" if force else el("em", " no longer in force: the record was changed after it"),
    )


def _corrected(story: Story) -> Iterator[Html]:
    """The hearings corrected in review, each with both versions."""
    events = story.log.events
    for held in story.of_kind("heard"):
        amends = held.get("amends")
        if not isinstance(amends, int) or not 0 <= amends < len(events):
            continue
        yield el(
            "li",
            to_event(amends),
            ", ",
            el("q", words_of(events[amends].get("text", ""))),
            f": was {meaning_text(events[amends]) or 'nothing'}, corrected to {meaning_text(held)}",
            _by_and_why(held.get("amended_by"), held.get("reason")),
            " (",
            to_event(held["seq"]),
            ")",
        )


def _changed_by_hand(story: Story) -> Iterator[Html]:
    for held in story.of_kind("prescription"):
        by_hand = held.get("by_hand")
        if isinstance(by_hand, Mapping) and not held.get("signed"):
            yield el(
                "li",
                f"Prescription changed by hand ({plain_text(by_hand.get('changed'))})",
                _by_and_why(by_hand.get("by"), by_hand.get("reason")),
                " (",
                to_event(held["seq"]),
                ")",
            )


def _by_and_why(by: object, reason: object) -> Html:
    return joined(joined(" by ", words_of(by)) if by else "", joined(": ", words_of(reason)) if reason else "")


def footer(story: Story, notes: list[str]) -> Html:
    """What the page was built from, and what was checked of it."""
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
            f"{many(len(story.log.events), 'event')} in the log, ending in ",
            el("code", story.log.last_hash[:16]),
            f"; {', '.join(facts)}." if facts else ".",
        ),
        el("ul", [el("li", words_of(note)) for note in notes]) if notes else None,
        el("p", "Built from the exam's log alone. It assists; a licensed practitioner prescribes."),
    )

"""Each eye's exam: its pictures, and the same as a table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from ..prescription import dioptres_written, eye_written
from . import drawing as draw
from .acuity import acuity_by_power, gain
from .frame import Interval, interval_of
from .markup import Child, Html, el, joined
from .panels import over_minus_picture, plane
from .story import Asked, EyeStory, Story, meaning_text, over_minus, readings, step_name
from .tracks import NEAR, together, tracks
from .words import eye_name, lens_prescribed, many, to_event


def eye_section(story: Story, eye: EyeStory) -> Html | None:
    """The section of one eye; None where it was asked nothing."""
    name = eye_name(eye.eye)
    if not eye.asked:
        return None
    if eye.eye not in ("right", "left"):
        return _both(story, eye, name)
    prescription = story.prescription or {}
    held = prescription.get(eye.eye)
    result = eye_written(dict(held)) if isinstance(held, Mapping) and lens_prescribed(held) is not None else None
    interval = interval_of(dict(held)) if isinstance(held, Mapping) else {}
    by_hand = prescription.get("by_hand")
    changed = isinstance(by_hand, Mapping) and eye.eye in (by_hand.get("changed") or ())
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
                tracks(eye, interval),
                class_="scroll",
                tabindex="0",
                role="region",
                aria_label=f"{name}, the lens over the questions",
            ),
            _legend(eye),
            _scrub(eye),
            class_="tracks-figure",
        ),
        el("div", list(_panels(eye, interval)), class_="panels"),
        _questions(eye),
        class_="eye",
    )


def _panels(eye: EyeStory, interval: Interval) -> Iterator[Html | None]:
    """The pictures beside each other: the cylinder's search, acuity against the lens, the over-minus check."""
    vector = None if eye.ended is None else eye.ended.vector
    ended = ""
    if vector is not None:
        ended = f"Ended at J0 {dioptres_written(vector.j0)}, J45 {dioptres_written(vector.j45)} D (double ring). "
    how = "Circles are dioptres of cylinder, the numbers around them its axis; thin rods are the pairs shown."
    yield _figure(plane(eye, interval), "The search for the cylinder", joined(ended, el("span", how, class_="how")))
    yield _figure(acuity_by_power(eye), "Acuity against the lens", gain(readings(eye)))
    check = over_minus(eye)
    if check is not None:
        earlier = f" {many(check.earlier, 'earlier check')} in the conversation." if check.earlier else ""
        yield _figure(over_minus_picture(check, eye.eye), "Over-minus check", check.said + earlier)


def _both(story: Story, eye: EyeStory, name: str) -> Html:
    """What was asked of both eyes together, or of neither."""
    right = story.eyes.get("right")
    drawn = together(eye, None if right is None else right.ended)
    picture = None
    if drawn is not None:
        told = []
        if any(held.step == "balance" for held in eye.asked):
            told.append("In the balance, one is the right eye and two the left, each behind its own lens.")
        if any(held.step in NEAR for held in eye.asked):
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
        el("p", many(len(eye.asked), "question") + " to both eyes together, or to neither.", class_="gist"),
        picture,
        _questions(eye),
        class_="eye both",
    )


def _figure(picture: Html | None, title: str, caption: Child) -> Html | None:
    if picture is None:
        return None
    return el("figure", el("h3", title), picture, el("figcaption", caption))


def _legend(eye: EyeStory) -> Html:
    """What the marks mean, with how often each was needed."""

    def mark(*drawn: Html) -> Html:
        return el("svg", drawn, viewBox="0 0 20 18", width=20, height=18, aria_hidden="true", class_="key")

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
    """A slider through the questions; the page's script shows it."""
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


def _questions(eye: EyeStory) -> Html:
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
                el("td", to_event(held.line, str(held.line))),
            )
        )
    name = eye_name(eye.eye)
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

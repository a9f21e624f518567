"""The report as one page of HTML: prescription, pictures, conversation, signatures.

The page asks nothing of anybody: style and script are inside it and named by their hashes in its content
security policy (W3C CSP Level 3), and sound is inside it or beside it.
"""

from __future__ import annotations

import base64
import hashlib
from importlib import resources

from .eyes import eye_section
from .front import cautions, footer, header, patient, prescription, signatures, spoken_notes
from .markup import Html, data, el
from .sounds import Sounds
from .story import Story
from .talk import clocks, conversation
from .words import moment_text, status


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
    when = moment_text(story.log.events[0].get("at")) if story.log.events else "no event"
    title = f"Refraction {patient(story)}, {when} - {status(story)[0].lower()}"
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
    eyes = [eye_section(story, eye) for eye in story.eyes.values()]
    body = el(
        "body",
        el("a", "Skip to the prescription", href="#prescription", class_="skip"),
        header(story),
        el(
            "main",
            cautions(story, record),
            prescription(story),
            spoken_notes(story),
            eyes,
            conversation(story, sounds),
            signatures(story),
        ),
        footer(story, notes),
        el("audio", id="clip", preload="none"),
        data("sounds", {str(seq): source for seq, source in sounds.utterances.items()}),
        data("clock", clocks(story, sounds)),
        Html(f"<script>{script}</script>"),
    )
    return f"<!DOCTYPE html>\n{el('html', head, body, lang='en')}\n"


def _part(name: str) -> str:
    return resources.files(__package__).joinpath(name).read_text(encoding="utf-8")


def _hash(content: str) -> str:
    digest = hashlib.sha256(content.encode("utf-8")).digest()
    return "sha256-" + base64.b64encode(digest).decode("ascii")

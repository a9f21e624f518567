"""HTML and SVG as values: whatever is not markup already is escaped when it goes in.

Words in a log are anybody's. Text that could end a tag, an attribute or a script, hide itself by control
characters or turn the reading direction of what follows comes out as harmless text.
"""

from __future__ import annotations

import html
import json
from typing import Any

_VOID = frozenset({"meta", "link", "input", "br", "hr"})

# Control characters (but tab and line ends), halves of surrogate pairs, and the embeddings and overrides of
# the Unicode bidirectional algorithm (UAX #9), which could make "minus two" read as another number.
_NEVER = {
    **dict.fromkeys((code for code in range(0x20) if code not in (0x09, 0x0A, 0x0D)), "\ufffd"),
    **dict.fromkeys(range(0x7F, 0xA0), "\ufffd"),
    **dict.fromkeys(range(0xD800, 0xE000), "\ufffd"),
    **dict.fromkeys(range(0x202A, 0x202F), "\ufffd"),
}


class Html(str):
    """Text that is markup: it is put in as it is."""

    __slots__ = ()


Child = object  # Html, a tuple or list of children, None (nothing), or anything whose text is wanted


def clean(text: object) -> str:
    """Any value as text without characters that no page should hold."""
    return str(text).translate(_NEVER)


def escaped(child: Child) -> str:
    """A child of an element as markup."""
    if isinstance(child, Html):
        return child
    if child is None:
        return ""
    if isinstance(child, (tuple, list)):
        return "".join(escaped(held) for held in child)
    return html.escape(clean(child), quote=True)


def joined(*children: Child) -> Html:
    """Children one after another, without an element around them."""
    return Html("".join(escaped(child) for child in children))


def el(tag: str, *children: Child, **attributes: Any) -> Html:
    """One element. Attribute names: `class_` for class, `aria_label` for aria-label; None and False leave it
    out, True gives a bare one; floats are written with at most two places.
    """
    parts = [f"<{tag}"]
    for name, value in attributes.items():
        if value is None or value is False:
            continue
        name = name.rstrip("_").replace("_", "-")
        if value is True:
            parts.append(f" {name}")
            continue
        if isinstance(value, float):
            value = number(value)
        parts.append(f' {name}="{html.escape(clean(value), quote=True)}"')
    parts.append(">")
    opened = "".join(parts)
    if tag in _VOID:
        return Html(opened)
    return Html(f"{opened}{''.join(escaped(child) for child in children)}</{tag}>")


def number(value: float) -> str:
    """A coordinate, as short as two places allow."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def data(identity: str, value: object) -> Html:
    """A block of JSON for the page's own script; nothing in it can end the block."""
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    text = text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
    return Html(f'<script type="application/json" id="{html.escape(identity, quote=True)}">{text}</script>')

"""The whole exam as one bar for each eye."""

from __future__ import annotations

from . import drawing as draw
from .markup import Html, el
from .story import Story


def timeline(story: Story) -> Html:
    """The whole exam as one bar a lane: steps, answers by side, cautions. Stretched to any width."""
    length = story.length or 1.0
    lanes = {"right": 3.0, "left": 23.0}
    parts: list[Html] = []

    def at(seq: int) -> float:
        return min(story.seconds[seq] / length, 1.0) * 1000 if seq < len(story.seconds) else 1000.0

    for eye in story.eyes.values():
        y = lanes.get(eye.eye, 43.0)
        for place, band in enumerate(eye.bands):
            first, last = eye.asked[band.first - 1], eye.asked[band.last - 1]
            begin, end = at(first.seq), at(last.line)
            parts.append(
                el(
                    "rect",
                    x=begin,
                    y=y,
                    width=max(end - begin, 2.0),
                    height=14,
                    class_="lane odd" if place % 2 else "lane",
                )
            )
        for held in eye.asked:
            if held.answer is not None:
                x = at(held.line)
                parts.append(draw.line(x, y + 1, x, y + 13, f"mark {held.meaning}", vector_effect="non-scaling-stroke"))
    for flag in story.of_kind("flag"):
        x = at(flag["seq"])
        parts.append(draw.line(x, 0, x, 62, "flag-mark", vector_effect="non-scaling-stroke"))
    return el(
        "svg",
        parts,
        el("line", x1=0, y1=0, x2=0, y2=62, class_="cursor", vector_effect="non-scaling-stroke"),
        viewBox="0 0 1000 62",
        preserveAspectRatio="none",
        class_="timeline",
        aria_hidden="true",
    )

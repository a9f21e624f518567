"""The conversation line by line, with its recordings and a timeline."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from ...optics.lens import LensError
from ..events import Event
from ..prescription import LOG_KEYS, eye_written
from .markup import Child, Html, data, el, joined
from .sounds import Sounds
from .story import Asked, Story, lens_or_none, lens_text, meaning_text, pair_text, plain_text, step_name
from .timeline import timeline
from .words import clock_text, eye_name, moment_text, to_event, words_of

_OUTCOMES = {
    "out_of_range": "not on the dials",
    "not_understood": "not understood",
    "doubtful": "doubtful, not used",
    "silence": "silence",
}

_HEARD_KEYS = LOG_KEYS | frozenset(
    {"text", "meaning", "by", "accepted", "score", "after", "value", "outcome", "hedged", "typed", "used", "position"}
    | {"audio", "audio_sha256", "amends", "reason", "amended_by"}
)
_COLUMNS = ("Event", "Time", "Who", "Words", "Understood as", "Certainty", "Hear")
_SHOWN = (("all", "everything"), ("answers", "answers and cautions"), ("doubt", "what was in doubt"))


def conversation(story: Story, sounds: Sounds) -> Html:
    """The section of the conversation."""
    return el(
        "section",
        el("h2", "Conversation", id="conversation"),
        _player(story),
        _whole(sounds),
        el(
            "p",
            "A wrong hearing is corrected with ",
            el("code", "amend DIR --event NUMBER --meaning first"),
            " (or second, same, set_axis ...): the log keeps both.",
            class_="muted how",
        ),
        _filters(),
        el(
            "div",
            el(
                "table",
                el("caption", "The conversation, line by line", class_="sr"),
                el("thead", el("tr", [el("th", words, scope="col") for words in _COLUMNS])),
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


def _player(story: Story) -> Html:
    """The timeline; the page's script shows it."""
    lanes = [el("p", words, class_="lane-name") for words in ("Right", "Left", "Both")]
    most = round(max(story.length, 0.1), 1)
    slider = el("input", type="range", id="seek", min=0, max=most, step=0.1, value=0, aria_label="Place in the exam")
    return el(
        "div",
        el("button", "Play", type="button", id="run"),
        el(
            "div",
            el("div", lanes, timeline(story), class_="strip"),
            slider,
            el("p", f"0:00 of {clock_text(story.length)}", id="place", class_="muted"),
        ),
        class_="player",
        role="group",
        aria_label="Timeline",
        hidden=True,
    )


def _whole(sounds: Sounds) -> Html | None:
    """The recording of the whole conversation, where there is one."""
    source = sounds.conversation
    if source is None:
        return None
    inside = source.startswith("data:")  # then the script puts it in place when it is wanted: it is large
    attributes = {"controls": True, "preload": "none", "src": None if inside else source}
    return joined(
        el("h3", "The whole recording", id="whole-name"),
        el("audio", id="whole", aria_labelledby="whole-name", **attributes),
        data("whole-sound", source) if inside else None,
    )


def _filters() -> Html:
    """Which lines are shown, and whether they are printed."""
    radios = [
        el(
            "label",
            el("input", type="radio", name="show", value=value, checked=value == "all", id=f"show-{value}"),
            f" {words}",
        )
        for value, words in _SHOWN
    ]
    printing = el("label", el("input", type="checkbox", id="print-talk"), " print the conversation too")
    return el("fieldset", el("legend", "Show"), radios, printing, class_="filters")


def _rows(story: Story, sounds: Sounds) -> Iterator[Html]:
    where = ""
    pending: Event | None = None
    answers = {held.line: held for eye in story.eyes.values() for held in eye.asked if held.answer is not None}
    missed = {miss["seq"] for eye in story.eyes.values() for held in eye.asked for miss in held.misses}
    reviewed = False
    for held, seconds in zip(story.log.events, story.seconds, strict=True):
        kind = held["kind"]
        by_review = kind == "heard" or bool(held.get("signed") or held.get("by_hand"))
        reviewed = reviewed or (held["seq"] > story.last and by_review)
        added = reviewed and (by_review or kind == "flag")  # a change by hand raises cautions of its own
        at = None if added else min(seconds, story.length)
        if pending is not None and kind != "question":
            yield _prompt_row(pending, None, at, where)
            pending = None
        if kind == "prompt" and held.get("key") == "ask":
            pending = held
        elif kind == "question":
            where = _where(held)
            yield _prompt_row(pending, held, at, where)
            pending = None
        elif kind == "prompt":
            yield _prompt_row(held, None, at, where)
        elif kind == "heard":
            yield _heard_row(story, sounds, held, at, where, answers.get(held["seq"]), held["seq"] in missed)
        elif kind == "step":
            if held.get("status") == "begun":
                where = _where(held)
            if held.get("status") != "done":  # what begins next says so
                yield _step_row(held, at, where)
        elif kind == "flag":
            yield _line_row(held, at, where, "r-flag", "Caution", words_of(held.get("says") or held.get("code")))
        elif kind == "lens":
            lens = lens_or_none(held)
            words = plain_text(_rest(held)) if lens is None else lens_text(lens)
            yield _line_row(held, at, where, "r-lens", "dials", f"{eye_name(held.get('eye'))}: {words}")
        elif kind == "prescription":
            yield _line_row(held, at, where, "r-rx", "record", _prescription_words(held))
        else:
            yield _line_row(held, at, where, "r-other", kind, plain_text(_rest(held)))
    if pending is not None:
        yield _prompt_row(pending, None, story.length, where)


def _where(held: Event) -> str:
    return f"{eye_name(held.get('eye'))}, {step_name(held.get('step'))}"


def _rest(held: Event) -> Event:
    return {key: value for key, value in held.items() if key not in LOG_KEYS}


def _tr(held: Event, at: float | None, where: str, class_: str, *cells: Child) -> Html:
    row = f"e{held['seq']}"
    if at is None:
        return el("tr", cells, id=row, class_=class_)
    return el("tr", cells, id=row, class_=class_, data_at=round(at, 2), data_where=where)


def _time(held: Event, at: float | None) -> Html:
    """The cells of an event's number and time; None for what was added after the exam."""
    return joined(
        el("td", held["seq"], class_="number"), el("td", "after" if at is None else clock_text(at), class_="time")
    )


def _prompt_row(prompt: Event | None, question: Event | None, at: float | None, where: str) -> Html:
    held = prompt if prompt is not None else question
    assert held is not None
    words: Child = words_of(prompt.get("say", "")) if prompt is not None else ""
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
        one, two = map(lens_or_none, choices)
        if one is not None and two is not None:
            return pair_text(one, two)
        return f"one {plain_text(choices[0])} · two {plain_text(choices[1])}"
    lens = lens_or_none(question.get("lens"))
    if lens is not None:
        line = question.get("line")
        return (f"{line} through " if line else "through ") + lens_text(lens)
    return ""


def _step_row(held: Event, at: float | None, where: str) -> Html:
    begun = held.get("status") == "begun"
    words = _where(held) + ("" if begun else f": {held.get('status')}")
    class_ = "r-step begun" if begun else "r-step"
    return _tr(held, at, where, class_, _time(held, at), el("td", words, colspan=5))


def _line_row(held: Event, at: float | None, where: str, class_: str, who: str, words: Child) -> Html:
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
        who = f", licence {signed_by.get('licence')}, {moment_text(signed_by.get('at'))}: {words}"
        return joined("signed by ", words_of(signed_by.get("by")), who)
    if isinstance(held.get("by_hand"), Mapping):
        return f"changed by hand, {moment_text(held.get('at'))}: {words}"
    return f"{held.get('status', 'draft')} prescription: {words}"


def _heard_row(
    story: Story, sounds: Sounds, held: Event, at: float | None, where: str, asked: Asked | None, missed: bool
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
    words: Child = el("q", words_of(text), class_="said") if text else el("span", "(nothing was said)", class_="muted")
    understood: Child = meaning_text(held) or "-"
    if held.get("meaning") == "note":
        understood = "note"
    if amends is not None:
        words = joined("correction of ", to_event(amends), ": ", words)
        by = held.get("amended_by") or "review"
        if held.get("reason"):
            words = joined(words, el("span", "reason: ", words_of(held["reason"]), class_="mark"))
        words = joined(words, el("span", moment_text(held.get("at")), class_="mark"))
    elif amended is not None:
        understood = joined(
            el("s", understood), " ", el("strong", meaning_text(amended)), " ", to_event(amended["seq"], "corrected")
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
        el("td", words_of(by or "heard")),
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
            aria_label=f"Play event {seq}, {by or 'heard'}: {text[:60]}",
        )
    if seq in sounds.faults:
        return el("span", sounds.faults[seq], class_="mark")
    return ""


def clocks(story: Story, sounds: Sounds) -> dict[str, object]:
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

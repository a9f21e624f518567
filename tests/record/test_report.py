"""The report page without a browser: what it tells, that words stay words, and that any log gives a page."""

from __future__ import annotations

import base64
import hashlib
import json
import math
import re
from collections.abc import Iterable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from long_exam import HOSTILE, QUESTIONS, questions_an_eye, write_long_exam
from small_exam import SMALL_EXAM, record_small_exam, ticking, tone

from assistant.cli import main
from assistant.optics.lens import Lens
from assistant.protocol.effects import Ask, EyeResult, Prescribe, Recorded, ShowLens, Status, StepChange
from assistant.protocol.meanings import Heard, Meaning, Outcome
from assistant.protocol.questions import AcuityQuestion, Eye, Legible
from assistant.record import report
from assistant.record.amending import amended_hearing, prescription_by_hand
from assistant.record.events import Event, event
from assistant.record.folder import ExamFolder, log_of
from assistant.record.log import Clock, Log
from assistant.record.prescription import dioptres_written
from assistant.record.report import build_report, report_html, tell
from assistant.record.report.acuity import gain
from assistant.record.report.frame import interval_of
from assistant.record.report.markup import data
from assistant.record.report.sounds import collect, flac_seconds
from assistant.record.report.story import over_minus, readings
from assistant.record.report.tracks import near_axis
from assistant.record.signing import signed_event


class Page(HTMLParser):
    """A page as a browser's parser takes it apart: elements in order, and text by the cell it stands in."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data

    def all(self, tag: str, class_: str | None = None) -> list[dict[str, str | None]]:
        return [
            attrs
            for name, attrs in self.elements
            if name == tag and (class_ is None or class_ in (attrs.get("class") or "").split())
        ]

    @property
    def skeleton(self) -> list[tuple[str, tuple[str, ...]]]:
        """The page without any words: tags and the names of their attributes."""
        return [(tag, tuple(attrs)) for tag, attrs in self.elements]


@pytest.fixture(scope="module")
def long_exam(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_long_exam(tmp_path_factory.mktemp("long") / "exam")


@pytest.fixture(scope="module")
def long_log(long_exam: Path) -> Log:
    return log_of(long_exam)


@pytest.fixture(scope="module")
def long_page(long_log: Log) -> Page:
    return Page(report_html(long_log))


def prescribed(right: EyeResult, left: EyeResult, **more: Any) -> Log:
    """A log that holds a prescription and nothing else."""
    made = {"seq": 0, "at": "2030-01-02T09:30:00.000Z", **event(Prescribe(right, left, 62.0, True)), **more}
    return Log(({**made, "hash": "0" * 64},))


def eye(sphere: float, cylinder: float, axis: int | None) -> EyeResult:
    return EyeResult(round(sphere * 100), round(cylinder * 100), axis, None, "20/20", "20/80")


# ------------------------------------------------------------------------------------------- the prescription
@pytest.mark.parametrize(
    ("minus", "plus"),
    # National Federation of Opticianry Schools, OPT11 8c.
    [
        ((1.50, -0.50, 125), "+1.00 +0.50 035"),
        ((-3.00, -2.00, 30), "-5.00 +2.00 120"),
        ((2.50, -1.50, 170), "+1.00 +1.50 080"),
        ((-1.75, -1.25, 60), "-3.00 +1.25 150"),
        ((3.00, -1.00, 180), "+2.00 +1.00 090"),
    ],
)
def test_both_cylinder_forms_are_written(minus: tuple[float, float, int], plus: str) -> None:
    html = report_html(prescribed(eye(*minus), eye(*minus)))
    rows = re.findall(r"plus cylinder</td>((?:<td>[^<]*</td>){3})", html)
    assert [" ".join(re.findall(r"<td>([^<]*)</td>", row)) for row in rows] == [plus, plus]


@pytest.mark.parametrize("axis", [1, 30, 45, 89, 90, 91, 135, 170, 180])
def test_the_axis_is_drawn_as_seen_facing_the_wearer(axis: int) -> None:
    """ISO 8429: counter-clockwise from the horizontal; SVG's y grows downward."""
    html = report_html(prescribed(eye(-1, -1, axis), eye(-1, -1, axis)))
    lines = Page(html).all("line", "axis-line")
    assert len(lines) == 2
    for held in lines:
        x1, y1, x2, y2 = (float(held[key] or "nan") for key in ("x1", "y1", "x2", "y2"))
        assert math.degrees(math.atan2(y2 - y1, x1 - x2)) % 180 == pytest.approx(axis % 180, abs=0.05)


def test_an_eye_that_was_not_measured_and_one_without_cylinder_say_so() -> None:
    unmeasured = EyeResult(None, None, None, None, None)
    page = Page(report_html(prescribed(unmeasured, eye(0, 0, None))))
    assert "not measured" in page.text
    assert "plano" in page.text
    assert "sphere only" in page.text
    assert not page.all("line", "axis-line")


def test_intervals_are_written_and_drawn_where_they_are_known() -> None:
    log = prescribed(eye(-3.25, -1.25, 2), eye(-3.25, -1.25, 2))
    held = dict(log.events[0])
    held["right"] = {**held["right"], "interval": {"sphere": [-3.5, -3], "cylinder": [-1.5, -1], "axis": [175, 9]}}
    page = Page(report_html(Log((held,))))
    for end in ("-3.50", "-3.00", "-1.50", "-1.00", "175", "009"):
        assert end in page.text
    assert "95 % interval" in page.text
    assert page.all("path", "interval")


@pytest.mark.parametrize(
    ("held", "words"),
    [
        (
            {"unreadable": 0.75, "line": "20/50", "plus": 1.0},
            ("unreadable through (usual +0.75)", "+0.75", "through +1.00 (usual 20/40 to 20/60)", "20/50"),
        ),
        ({"unreadable": None, "line": "20/30", "plus": 1.25}, ("usual 20/40 to 20/60", "20/30 through +1.25")),
        ({"unreadable": 0.5, "line": None, "plus": None}, ("unreadable through (usual +0.75)", "+0.50")),
        ({"unreadable": "?", "line": 7, "plus": []}, ()),
    ],
)
def test_what_was_found_against_too_much_minus_stands_with_what_is_usual(
    held: dict[str, object], words: tuple[str, ...]
) -> None:
    """Three clicks (common practice, no source); 6/12 to 6/18 through +1.00 (Optometry in Practice 2004;5(4))."""
    page = Page(report_html(prescribed(replace(eye(-1, -1, 90), over_minus=held), eye(-1, -1, 90))))
    assert all(part in page.text for part in words)
    assert ("usual" in page.text) is bool(words)


@pytest.mark.parametrize(
    ("given_axis", "read"),
    [([10, 20], (10, 20)), ([175, 5], (175, 185)), ([170, 190], (170, 190)), ("?", None), ([1, None], None)],
)
def test_an_interval_of_the_axis_may_go_over_180(given_axis: object, read: tuple[float, float] | None) -> None:
    assert interval_of({"interval": {"axis": given_axis}}).get("axis") == read


@given(st.floats(0, 180), st.floats(0, 180))
def test_an_axis_is_drawn_near_the_one_it_is_compared_with(axis: float, about: float) -> None:
    near = near_axis(axis, about)
    assert abs(near - about) <= 90
    assert math.cos(math.radians(2 * (near - axis))) == pytest.approx(1, abs=1e-9)


# -------------------------------------------------------------------------------------------------- the story
def test_the_long_exam_is_as_long_as_it_says(long_log: Log) -> None:
    assert all(count >= QUESTIONS for count in questions_an_eye(long_log.events))


def test_every_question_is_one_column_and_asking_again_makes_no_new_one(long_log: Log) -> None:
    story = tell(long_log)
    for name in ("right", "left"):
        asked = story.eyes[name].asked
        put = [held for held in long_log.of_kind("question") if held["eye"] == name]
        assert sum(held.asks for held in asked) == len(put)
        assert [held.place for held in asked] == list(range(1, len(asked) + 1))
        assert sum(held.asked_again for held in asked) == sum(held["attempt"] == 1 for held in put)


@pytest.mark.parametrize(
    ("between", "asks"),
    [
        ({"text": "p d 62", "meaning": "set_pd", "accepted": True, "used": True}, 1),
        ({"text": "again", "meaning": "again", "accepted": True, "used": True}, 2),
        ({"text": "hm", "meaning": None, "accepted": False, "used": False}, 2),
    ],
)
def test_a_question_that_comes_back_after_a_command_was_not_asked_again(between: Event, asks: int) -> None:
    lens = {"sphere": 0.0, "cylinder": 0.0, "axis": 180, "cross_cylinder": None}
    question = {"kind": "question", "eye": "right", "step": "entering", "form": "acuity", "lens": lens, "attempt": 0}
    heard = {"kind": "heard", **between}
    answer = {
        "kind": "heard",
        "text": "20/20",
        "meaning": "set_acuity",
        "value": "20/20",
        "accepted": True,
        "used": True,
    }
    events = [{"seq": seq, **held} for seq, held in enumerate((question, heard, question, answer))]
    (asked,) = tell(Log(tuple(events))).eyes["right"].asked
    assert asked.asks == asks
    assert asked.line_read == "20/20"


def test_hesitation_is_counted_as_the_log_has_it(long_log: Log) -> None:
    story = tell(long_log)
    told = sum(held.hedged for held in story.eyes["right"].asked) + sum(
        held.hedged for held in story.eyes["left"].asked
    )
    assert told == sum(bool(held["hedged"]) for held in long_log.of_kind("heard"))


def test_an_answer_taken_back_is_marked_and_no_other(long_log: Log) -> None:
    undone = [held for held in tell(long_log).eyes["right"].asked if held.undone]
    undo = next(held for held in long_log.of_kind("heard") if held["meaning"] == "undo")
    assert len(undone) == 1
    assert undone[0].line < undo["seq"]
    answers = [
        held["seq"]
        for held in long_log.of_kind("heard")
        if held["meaning"] in ("first", "second", "same") and held["used"] and held["seq"] < undo["seq"]
    ]
    assert undone[0].line == answers[-1]


def test_lenses_stand_as_the_lens_events_say(long_log: Log) -> None:
    for name, told in tell(long_log).eyes.items():
        lenses = [held for held in long_log.of_kind("lens") if held["eye"] == name]
        if not lenses:
            continue
        assert told.ended is not None
        assert told.ended.sphere_dioptres == lenses[-1]["sphere"]
        for held, before, _ in told.standing():
            last = [lens for lens in lenses if lens["seq"] < held.seq][-1]
            assert (before.sphere / 100, before.cylinder / 100, before.axis) == (
                last["sphere"],
                last["cylinder"],
                last["axis"],
            )


def test_the_over_minus_check_is_told_in_clicks(long_log: Log) -> None:
    check = over_minus(tell(long_log).eyes["right"])
    assert check is not None
    assert [click.clicks for click in check.clicks if click.read is not None] == [(3,), (4,), (6,), (5,)]
    # A click of plus is a quarter dioptre.
    assert f"{(check.unreadable or 0) * 0.25:+.2f} D" in check.said


def asked_again(lens: Lens, *steps: tuple[str, Lens, str], end: bool = True) -> Log:
    """A right eye's over-minus check before `lens`: three clicks unreadable, two readable; then what `steps` show."""
    made: list[Event] = [event(ShowLens(Eye.RIGHT, lens)), event(StepChange(Eye.RIGHT, "over_minus", Status.BEGUN))]
    for clicks, meaning in ((3, Meaning.NO), (2, Meaning.YES)):
        line = Legible(Eye.RIGHT, "over_minus", lens.with_sphere(lens.sphere + 25 * clicks), "20/70")
        made += [event(Ask(line, 1)), event(Recorded(Heard("x", Outcome.HEARD, meaning), True))]
    if end:
        made.append(event(StepChange(Eye.RIGHT, "over_minus", Status.DONE)))
    for step, shown, read in steps:
        made += [
            event(StepChange(Eye.RIGHT, step, Status.BEGUN)),
            event(ShowLens(Eye.RIGHT, shown)),
            event(Ask(AcuityQuestion(Eye.RIGHT, step, shown), 1)),
            event(Recorded(Heard(read, Outcome.HEARD, Meaning.SET_ACUITY, read), True)),
        ]
    made.append(event(ShowLens(Eye.RIGHT, lens)))
    return numbered(made)


def numbered(made: Iterable[Event]) -> Log:
    """Events as a log, one after another at the same moment."""
    at = {"at": "2030-01-02T09:30:00.000Z", "hash": "0" * 64}
    return Log(tuple({**one, "seq": seq, **at} for seq, one in enumerate(made)))


def test_the_over_minus_check_answers_for_what_it_changed_itself() -> None:
    lens = Lens.of(3, -1.5, 49)
    later = ("settle", Lens.of(4.25, -3.25, 47), "20/600")
    check = over_minus(tell(asked_again(lens, later)).eyes["right"])
    assert check is not None
    assert check.said == "No letter could be read from 3 clicks of plus (+0.75 D) on; the sphere stayed at +3.00."
    # Passed over later on, with another lens before the eye: that is not its outcome.
    log = asked_again(lens, later)
    passed = event(StepChange(Eye.RIGHT, "over_minus", Status.SKIPPED))
    check = over_minus(tell(numbered((*log.events[:-1], passed))).eyes["right"])
    assert check is not None
    assert check.ended == 300
    broken = over_minus(tell(asked_again(lens, later, end=False)).eyes["right"])
    assert broken is not None
    assert broken.ended is None
    assert broken.said.endswith("on; the check was broken off.")


def test_an_answer_taken_back_leaves_one_over_minus_check() -> None:
    lens = Lens.of(-2, 0)
    log = asked_again(lens)
    undone = (
        event(Recorded(Heard("undo", Outcome.HEARD, Meaning.UNDO), True)),
        log.events[4],
        event(Recorded(Heard("no", Outcome.HEARD, Meaning.NO), True)),
        event(StepChange(Eye.RIGHT, "over_minus", Status.DONE)),
    )
    check = over_minus(tell(numbered((*log.events[:6], *undone))).eyes["right"])
    assert check is not None
    assert (check.earlier, check.unreadable, check.ended) == (0, 2, -200)


def test_the_line_shown_at_the_over_minus_check_is_named() -> None:
    log = asked_again(Lens.of(3, -1.5, 49))
    held = replace(eye(3, -1.5, 49), over_minus={"unreadable": 0.75, "line": None, "plus": None})
    made = event(Prescribe(held, eye(-1, 0, None), 62.0, True))
    text = Page(report_html(numbered((*log.events, made)))).text
    assert "Line shown unreadable through (usual +0.75)" in text
    assert "+0.75 (20/70)" in text


def test_what_was_read_on_entering_is_no_result() -> None:
    """The bold line at the end of the acuity's row is the one read through the lens the eye ended with."""
    lens = Lens.of(3, -1.5, 49)
    results = re.compile(r'class="result-label"[^>]*>(20/\d+)<')
    for step, shown, expected in (
        ("entering", lens, []),
        ("acuity", lens.with_sphere(350), []),
        ("acuity", lens, ["20/400"]),
    ):
        assert results.findall(report_html(asked_again(lens, (step, shown, "20/400")))) == expected


def test_halves_are_rounded_one_way_everywhere() -> None:
    """Away from zero, as on paper: -2.125 is -2.13, +0.125 is +0.13 (common practice, no source)."""
    change = {"m": -0.625, "j0": 0.125, "j45": -0.005}
    page = Page(report_html(prescribed(replace(eye(-1, -1, 90), change=change), eye(-1, -1, 90))))
    # Along the meridian that changed most: 0.625 + sqrt(0.125 ** 2 + 0.005 ** 2) = 0.7501.
    assert "-0.63, +0.13, -0.01; 0.75" in page.text
    assert dioptres_written(-2.125) == "-2.13"
    assert dioptres_written(-0.0) == "+0.00"


def test_an_eye_not_completed_says_so_in_the_table() -> None:
    doubted = replace(eye(-1, -1, 90), complete=False)
    carried = replace(eye(-1, -1, 90), complete=False, examined=False)
    table = Page(report_html(prescribed(doubted, carried)).split('class="rx"')[1].split("</table>")[0]).text
    assert "Right eyenot completed" in table
    assert "Left eyecarried over, not examined" in table


def test_lines_read_stand_with_their_lenses(long_log: Log) -> None:
    for told in tell(long_log).eyes.values():
        said = [
            held["value"]
            for held in long_log.of_kind("heard")
            if held["meaning"] == "set_acuity" and held["seq"] in {asked.line for asked in told.asked}
        ]
        assert [held.line for held in readings(told)] == said


def test_the_search_ends_in_the_direction_of_twice_the_axis(long_log: Log) -> None:
    """A minus cylinder C x a is at |C|/2 (cos 2a, sin 2a) in the J0/J45 plane (Thibos, Wheeler & Horner 1997)."""
    html = report_html(long_log)
    for name in ("right", "left"):
        ended = tell(long_log).eyes[name].ended
        assert ended is not None
        section = html.split(f'id="{name}"')[1]
        plane = Page(section.split('class="plane"')[0].rsplit("<svg", 1)[0] + section.split('class="plane"')[1])
        goal = plane.all("circle", "goal")[0]
        edge = plane.all("circle", "edge")[0]
        x = float(goal["cx"] or 0) - float(edge["cx"] or 0)
        y = float(edge["cy"] or 0) - float(goal["cy"] or 0)
        assert math.degrees(math.atan2(y, x)) / 2 % 180 == pytest.approx(ended.axis % 180, abs=0.5)


# ------------------------------------------------------------------------------------------------------ words
def test_a_hostile_note_stays_text(long_page: Page) -> None:
    for line in HOSTILE.replace("\u202e", "\ufffd").replace("\u0000", "\ufffd").splitlines():
        assert line in long_page.text
    assert not long_page.all("img")
    assert not any(name.startswith("on") for _, attrs in long_page.elements for name in attrs)
    scripts = long_page.all("script")
    assert [held.get("type") for held in scripts] == ["application/json"] * (len(scripts) - 1) + [None]


def test_nothing_on_the_page_names_another_place(long_page: Page) -> None:
    for tag, attrs in long_page.elements:
        for name in ("src", "href", "action", "poster", "data", "srcset", "style"):
            held = attrs.get(name)
            assert held is None or held.startswith(("#", "data:,", "data:audio/", "audio/")), (tag, name, held)


ANYTHING = st.text(st.characters(), max_size=60) | st.sampled_from(
    [
        "</script><script>x()</script>",
        '"><b onclick=x>',
        "<!--",
        "]]>",
        "</title>",
        "&lt;&#60;",
        "\u2028\u202e\ud800\x00",
    ]
)


def with_words(log: Log, words: list[str]) -> Log:
    """The log with every text that a person or a file could have written replaced."""

    def changed(held: Event) -> Event:
        made = dict(held)
        for place, key in enumerate(("say", "says", "text", "code", "reason", "amended_by")):
            if key in made:
                made[key] = words[place % len(words)]
        if made.get("meaning") == "note":
            made["value"] = words[0]
        if "header" in made:
            made["header"] = {"start": {"patient": words[1]}, "engine": words[2], "version": words[3]}
        if made["kind"] == "prescription":
            made["odd"] = {words[4]: [words[5], {"deep": words[0]}]}
            made["right"] = {**made["right"], "strange": words[1]}
        if isinstance(made.get("signed"), dict):
            made["signed"] = {**made["signed"], "by": words[2], "licence": words[3], "at": words[4]}
        return made

    return Log(tuple(changed(held) for held in log.events))


@given(st.recursive(ANYTHING, lambda inner: st.lists(inner) | st.dictionaries(ANYTHING, inner), max_leaves=8))
def test_data_for_the_script_cannot_end_its_block_and_comes_out_as_it_went_in(value: object) -> None:
    block = data("held", value)
    content = block.removeprefix('<script type="application/json" id="held">').removesuffix("</script>")
    assert not set("<>&") & set(content)
    assert json.loads(content) == value


@pytest.fixture(scope="module")
def reviewed_log(tmp_path_factory: pytest.TempPathFactory) -> Log:
    """A small exam, one hearing corrected, signed: every part of the page is there."""
    path = tmp_path_factory.mktemp("reviewed") / "exam"
    with record_small_exam(path, ticking(), with_audio=False) as folder:
        folder.append(amended_hearing(log_of(path), 4, Meaning.FIRST, None, "misheard", "N. Examiner"))
        folder.append({"kind": "something_new", "eye": "right", "facts": {"a": [1, 2]}, "note": "x"})
        folder.append(signed_event(log_of(path), "A. Practitioner", "L-1", ticking()))
    return log_of(path)


@pytest.fixture(scope="module")
def plain_page(reviewed_log: Log) -> Page:
    return Page(report_html(with_words(reviewed_log, [f"word{number}" for number in range(6)])))


@settings(max_examples=60)
@given(words=st.lists(ANYTHING, min_size=6, max_size=6))
def test_no_words_change_the_page_but_the_words(reviewed_log: Log, plain_page: Page, words: list[str]) -> None:
    # Empty words leave out what holds them: that is no change made by what they say.
    words = [f"w{word}" for word in words]
    html = report_html(with_words(reviewed_log, words))
    assert Page(html).skeleton == plain_page.skeleton
    html.encode("utf-8")


def test_the_policy_names_the_very_script_and_style(long_page: Page, long_log: Log) -> None:
    html = report_html(long_log)
    policy = next(
        held["content"] or "" for held in long_page.all("meta") if held.get("http-equiv") == "Content-Security-Policy"
    )
    parts = dict(part.split(" ", 1) for part in policy.split("; "))
    assert parts["default-src"] == "'none'"
    assert "unsafe" not in policy
    for directive, tag in (("script-src", "script"), ("style-src", "style")):
        (content,) = re.findall(rf"<{tag}>(.*?)</{tag}>", html, re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()
        assert parts[directive] == f"'sha256-{digest}'"


# ------------------------------------------------------------------------------------------------------ colours
def luminance(colour: str) -> float:
    """Relative luminance of #rrggbb (WCAG 2.2, the definition of relative luminance)."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    brighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (brighter + 0.05) / (darker + 0.05)


def palettes() -> list[dict[str, str]]:
    """The colours of the light and the dark page."""
    style = Path(report.__file__).with_name("report.css").read_text(encoding="utf-8")
    blocks = re.findall(r":root \{(.*?)\}", style, re.DOTALL)[:2]
    return [dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", block)) for block in blocks]


@pytest.mark.parametrize("place", [0, 1])
def test_words_and_marks_can_be_told_from_the_ground(place: int) -> None:
    """WCAG 2.2: 4.5 for words (1.4.3), 3 for the marks of a picture (1.4.11); axe looks at no words in SVG."""
    colours = palettes()[place]
    for words in ("ink", "soft", "one", "two", "link"):
        for ground in ("paper", "panel", "shade"):
            assert contrast(colours[words], colours[ground]) >= 4.5, (words, ground)
    for ground in ("caution", "severe", "glass", "now"):
        assert contrast(colours["ink"], colours[ground]) >= 4.5, ground
    for mark in ("brass", "caution-edge", "severe-edge"):
        assert contrast(colours[mark], colours["paper"]) >= 3, mark
    for side in ("one", "two"):
        assert contrast(colours["on"], colours[side]) >= 4.5, side


# ------------------------------------------------------------------------------------------------ any log at all
def test_every_beginning_of_an_exam_gives_a_page(long_log: Log) -> None:
    for count in [*range(60), *range(60, len(long_log.events), 23)]:
        page = Page(report_html(Log(long_log.events[:count])))
        assert "None yet" in page.text
        assert page.all("h1")


def test_kinds_and_keys_of_a_later_version_are_shown(reviewed_log: Log) -> None:
    held = dict(reviewed_log.events[3])
    held |= {"form": "slider", "step": "polishing_up", "range": [1, 9]}
    held.pop("choices")
    changed = Log(tuple(held if before["seq"] == 3 else before for before in reviewed_log.events))
    text = Page(report_html(changed)).text
    assert "something_new" in text
    assert "a 1 to 2" in text
    assert "polishing up" in text


def test_events_that_lack_what_they_should_have_give_a_page_all_the_same() -> None:
    bare = [
        {"kind": kind}
        for kind in ("prompt", "question", "heard", "lens", "step", "flag", "question", "heard", "prescription")
    ]
    odd = [
        {"kind": "question", "eye": 7, "form": "choice", "choices": "both"},
        {"kind": "heard", "text": None, "meaning": 3, "accepted": True, "used": True, "value": [1], "score": "high"},
        {"kind": "heard", "amends": "x", "accepted": True},
        {"kind": "lens", "eye": "right", "sphere": "much", "cylinder": 0, "axis": 0},
        {"kind": "prescription", "right": {"sphere": 99, "cylinder": "c"}, "left": 3, "pd": "wide", "cautions": 4},
    ]
    events = [{"seq": seq, "at": "late", "hash": "", **held} for seq, held in enumerate(bare + odd)]
    assert "Subjective refraction" in Page(report_html(Log(tuple(events)))).text


# ---------------------------------------------------------------------------------------- cautions, corrections
def test_cautions_come_before_the_prescription_and_link_to_their_lines(long_log: Log, long_page: Page) -> None:
    flags = list(long_log.of_kind("flag"))
    assert flags
    text = long_page.text
    for held in flags:
        assert text.index(held["says"]) < text.index("Written in")
        assert {"href": f"#e{held['seq']}"} in long_page.all("a")
        assert any(attrs.get("id") == f"e{held['seq']}" for _, attrs in long_page.elements)


def test_cautions_the_draft_no_longer_deserves_come_after_those_it_does(long_log: Log) -> None:
    listed = ["acuity_low:left", "anisometropia"]
    events = [{**held, "cautions": listed} if held["kind"] == "prescription" else held for held in long_log.events]
    text = Page(report_html(Log(tuple(events)))).text
    low = [held["says"] for held in long_log.of_kind("flag") if held["code"] == "acuity_low"]
    passing = [held["says"] for held in long_log.of_kind("flag") if held["code"] == "over_minus"]
    assert text.index(low[0]) < text.index("Anisometropia") < text.index("Raised on the way") < text.index(passing[0])


def test_the_eye_is_named_once() -> None:
    flag = {"seq": 0, "at": "", "kind": "flag", "code": "x", "eye": "right", "hash": "", "says": "Right eye: look."}
    assert "Right eye: Right eye:" not in Page(report_html(Log((flag,)))).text


def test_an_eye_carried_over_from_the_start_is_said_not_to_be_examined() -> None:
    log = prescribed(replace(eye(-1, 0, None), examined=False), eye(-1, 0, None))
    assert "Right eye: carried over from the start, not examined." in Page(report_html(log)).text


def test_near_pairs_are_drawn_as_additions(long_log: Log) -> None:
    story = tell(long_log)
    near = [held for held in story.eyes["both"].asked if held.step == "near"]
    assert len(near) == 2
    section = report_html(long_log).split('id="both"')[1].split("</svg>")[0]
    assert "Add, D" in section
    rods = re.findall(r'class="rod[^"]*"', section)
    assert len(rods) == len(near)


@pytest.mark.parametrize(("step", "plus", "apart"), [("pinhole", 0, "pinhole"), ("plus_check", 1, "plus")])
def test_a_line_read_through_a_pinhole_or_plus_is_no_reading_of_the_lens(
    long_log: Log, step: str, plus: int, apart: str
) -> None:
    last = max(held["seq"] for held in long_log.of_kind("question") if held["form"] == "acuity")
    asked = next(held for held in long_log.events if held["seq"] == last)
    through = {**asked, "step": step, "lens": {**asked["lens"], "sphere": asked["lens"]["sphere"] + plus}}
    events = [through if held["seq"] == last else held for held in long_log.events]
    told = readings(tell(Log(tuple(events))).eyes["left"])
    assert told[-1].apart == apart
    before = told[-2].line or ""
    assert gain(told).startswith(f"From {told[0].line} to {before}")


def test_every_link_leads_somewhere(long_page: Page) -> None:
    known = {attrs["id"] for _, attrs in long_page.elements if "id" in attrs}
    links = [held["href"] or "" for held in long_page.all("a")]
    assert links
    assert [link for link in links if link[1:] not in known] == []


def test_no_two_elements_share_an_id(long_page: Page) -> None:
    ids = [attrs["id"] for _, attrs in long_page.elements if "id" in attrs]
    assert len(ids) == len(set(ids))


def test_a_corrected_hearing_shows_both_versions(reviewed_log: Log) -> None:
    html = report_html(reviewed_log)
    row = html.split('id="e4"')[1].split("</tr>")[0]
    assert "<s>two</s>" in row
    assert "<strong>one</strong>" in row
    assert "misheard" in html
    assert "was two, corrected to one by N. Examiner: misheard" in Page(html).text


def test_a_signature_is_shown_and_falls_with_a_later_change(tmp_path: Path, clock: Clock) -> None:
    path = tmp_path / "exam"
    with record_small_exam(path, clock, with_audio=False) as folder:
        assert "Not valid until" in Page(report_html(log_of(path))).text
        folder.append(signed_event(log_of(path), "A. Practitioner", "L-1234", clock))
        page = Page(report_html(log_of(path)))
        assert page.all("p", "signed")
        assert "Signed by A. Practitioner, licence L-1234" in page.text
        folder.append(prescription_by_hand(log_of(path), {"right": "-1.75 -0.50 x 090"}, None, "thicker", "B")[0])
        page = Page(report_html(log_of(path)))
        assert page.all("p", "draft")
        assert "no longer in force" in page.text
        assert "changed by hand" in page.text


def test_how_long_a_recording_was_heard_is_not_how_long_the_exam_took(tmp_path: Path) -> None:
    for listen, said in (("recording", "from a recording · 1 question"), ("mic", " · 10 seconds")):
        with ExamFolder.create(tmp_path / listen, ticking(), {"listen": listen}) as folder:
            for effect, words in SMALL_EXAM:
                folder.append(event(effect, words))
        page = report_html(log_of(tmp_path / listen))
        assert said in page
        assert ("10 seconds" in page) == (listen == "mic")


def test_review_long_after_does_not_stretch_the_exam(tmp_path: Path) -> None:
    path = tmp_path / "exam"
    with record_small_exam(path, ticking(), with_audio=False) as folder:
        before = tell(log_of(path)).length
        late = ticking(seconds=86400.0)
        late(), late()
        with_late = replace_clock(folder, late)
        with_late.append(signed_event(log_of(path), "A. Practitioner", "L-1", late))
    assert tell(log_of(path)).length == before


def replace_clock(folder: ExamFolder, clock: Clock) -> ExamFolder:
    folder.close()
    return ExamFolder.resume(folder.path, clock)


# ----------------------------------------------------------------------------------------------------- the file
def test_the_page_is_the_same_whenever_it_is_built(long_exam: Path) -> None:
    path, _ = build_report(long_exam)
    first = path.read_bytes()
    assert build_report(long_exam)[0].read_bytes() == first


def test_a_long_exam_makes_a_small_page(long_exam: Path, long_log: Log) -> None:
    most = 3 * 2**20
    assert len(report_html(long_log).encode()) <= most
    beside, _ = build_report(long_exam, embed_most=-1)
    assert beside.stat().st_size <= most


def test_recordings_are_inside_the_page_or_beside_it(long_exam: Path, long_log: Log) -> None:
    recorded = {held["seq"]: held["audio"] for held in long_log.of_kind("heard") if held.get("audio")}
    inside = collect(long_exam, long_log)
    assert inside.embedded
    assert set(inside.utterances) == set(recorded)
    for seq, source in inside.utterances.items():
        content = base64.b64decode(source.removeprefix("data:audio/flac;base64,"))
        assert content == (long_exam / recorded[seq]).read_bytes()
    beside = collect(long_exam, long_log, most=1000)
    assert not beside.embedded
    assert beside.utterances == recorded


def test_a_recording_that_was_changed_or_lost_is_not_played(exam: Path) -> None:
    recordings = sorted((exam / "audio").iterdir())
    assert len(recordings) == 3
    recordings[0].write_bytes(recordings[1].read_bytes() + b"\0")
    recordings[2].unlink()
    path, problems = build_report(exam)
    assert [problem.split(": ")[1] for problem in problems] == [
        "its recording was changed",
        "its recording is missing",
    ]
    html = path.read_text()
    assert html.count('class="play"') == 1
    assert html.index("its recording was changed") < html.index("Written in")


def test_a_name_that_leads_out_of_the_folder_is_not_followed(exam: Path) -> None:
    secret = exam.parent / "secret.flac"
    secret.write_bytes(b"private")
    log = log_of(exam)
    for name in ("../secret.flac", "audio/../../secret.flac", str(secret), "audio/.."):
        events = [{**held, "audio": name} if held.get("audio") else held for held in log.events]
        sounds = collect(exam, Log(tuple(events)))
        assert not sounds.utterances
        assert len(sounds.faults) == 3


def test_dropped_recordings_are_no_fault(exam: Path) -> None:
    assert main(["forget", str(exam), "--audio"]) == 0
    _, problems = build_report(exam)
    assert problems == []


@pytest.mark.parametrize(("seconds", "rate"), [(0.5, 16000), (2.25, 48000), (1.0, 8000)])
def test_a_flac_file_tells_its_length(tmp_path: Path, seconds: float, rate: int) -> None:
    path = tmp_path / "sound.flac"
    soundfile.write(path, tone(seconds, rate), rate)
    assert flac_seconds(path.read_bytes()[:42]) == pytest.approx(soundfile.info(path).duration)


def test_what_is_no_flac_tells_no_length() -> None:
    assert flac_seconds(b"") is None
    assert flac_seconds(b"RIFF" + bytes(60)) is None


def clock_of(html: str) -> list[list[float]]:
    block = html.split('id="clock">')[1].split("</script>")[0]
    pairs: list[list[float]] = json.loads(block)["pairs"]
    return pairs


def test_the_whole_recording_is_tied_to_the_exam_only_where_that_is_known(tmp_path: Path) -> None:
    path = tmp_path / "exam"
    with record_small_exam(path, ticking(seconds=1.0)):
        pass
    log = log_of(path)
    length = tell(log).length
    whole = path / "conversation.flac"
    soundfile.write(whole, tone(length, 8000), 8000)
    assert clock_of(report_html(log, collect(path, log))) == [[0, 0], [length, length]]
    soundfile.write(whole, tone(length * 3, 8000), 8000)
    assert clock_of(report_html(log, collect(path, log))) == []
    told = Log(tuple({**held, "position": held["seq"] * 3.0} for held in log.events))
    assert clock_of(report_html(told, collect(path, told)))[:2] == [[0, 0], [1, 3]]


# -------------------------------------------------------------------------------------------------- the command
def test_review_builds_the_page_and_says_where(exam: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["review", str(exam)]) == 0
    assert capsys.readouterr().out == f"{exam / 'report.html'}\n"
    assert (exam / "report.html").stat().st_mode & 0o777 == 0o600


def test_review_opens_the_page(exam: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[str] = []
    monkeypatch.setattr("webbrowser.open", lambda address: opened.append(address) or True)
    assert main(["review", str(exam), "--open"]) == 0
    assert opened == [(exam / "report.html").resolve().as_uri()]


def test_review_without_a_browser_says_so(
    exam: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("webbrowser.open", lambda address: False)
    assert main(["review", str(exam), "--open"]) == 0
    assert "by hand" in capsys.readouterr().err


def test_review_of_no_exam_is_one_plain_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["review", str(tmp_path)]) == 1
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "give the folder of an exam" in err


def test_a_log_that_was_changed_is_said_first(exam: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = exam / "exam.jsonl"
    log.write_text(log.read_text().replace('"accepted":true', '"accepted":1   ', 1))
    assert main(["review", str(exam)]) == 0
    assert "does not hold: line 5" in capsys.readouterr().err
    page = Page((exam / "report.html").read_text())
    assert page.text.index("The record does not hold") < page.text.index("Written in")


def test_a_line_that_is_no_event_stops_review(exam: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = exam / "exam.jsonl"
    log.write_text("nonsense\n" + log.read_text())
    assert main(["review", str(exam)]) == 1
    assert "line 1" in capsys.readouterr().err

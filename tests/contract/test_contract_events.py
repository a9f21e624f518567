"""`exam --listen text --events -`: the events, their order and keys, and the answers every question understands."""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from foreign import ForeignPatient, Rules, error
from program import Event, lines, run, talk

from assistant.data import grammar_sources
from assistant.grammar import Grammars
from assistant.protocol.meanings import Meaning, Outcome, Speaker
from assistant.record.folder import log_of
from assistant.record.log import check_lines
from assistant.session import Session

RIGHT, LEFT = (-2.1, -1.3, 33.0, 0.0), (0.8, -0.6, 162.0, 0.0)


def patient() -> ForeignPatient:
    return ForeignPatient(Rules(), RIGHT, LEFT, pd=62, age=30)


def as_examiner_and_patient(question: Event, told: ForeignPatient) -> Iterator[str]:
    """As it is at the chair: the examiner shows the lenses in so many words, then the patient answers."""
    if question["form"] == "choice":
        yield json.dumps({"say": "one", "by": "examiner", "after": 2.5})
        yield json.dumps({"say": "or two?", "by": "examiner", "after": 1.0})
    by = "examiner" if question["form"] == "confirm" else "patient"
    yield json.dumps({"say": told.say(question), "by": by, "after": 1.2})


@pytest.fixture(scope="module", params=["plain", "json"])
def held(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """A whole exam in lock-step, by plain lines or by JSON."""
    out = tmp_path_factory.mktemp(request.param) / "exam"
    told = patient()
    with talk("--out", out) as exam:
        if request.param == "plain":
            exam.hold(told.say)
        else:
            exam.hold(lambda question: list(as_examiner_and_patient(question, told)))
        code = exam.process.wait(60)
        assert exam.process.stderr is not None
        errors = exam.process.stderr.read()
    return {"events": exam.events, "code": code, "errors": errors, "out": out, "by": request.param}


def is_lens(lens: object) -> bool:
    if not isinstance(lens, dict) or not {"sphere", "cylinder", "axis", "cross_cylinder"} <= set(lens):
        return False
    cross = lens["cross_cylinder"]
    return (
        -20 <= lens["sphere"] <= 20
        and lens["sphere"] * 4 == int(lens["sphere"] * 4)
        and -8 <= lens["cylinder"] <= 0
        and isinstance(lens["axis"], int)
        and 1 <= lens["axis"] <= 180
        and (cross is None or (cross["power"] > 0 and 1 <= cross["minus_axis"] <= 180))
    )


EYES = ("right", "left", "both")
KEYS = {
    "prompt": {"to", "say"},
    "question": {"eye", "step", "form", "expects"},
    "heard": {"text", "meaning", "by", "accepted", "score", "after"},
    "lens": {"eye", "sphere", "cylinder", "axis", "cross_cylinder"},
    "step": {"eye", "step", "status"},
    "flag": {"code", "eye", "says"},
    "prescription": {"right", "left", "pd", "status"},
}
BY_FORM = {"choice": {"choices"}, "legible": {"lens", "line"}, "acuity": {"lens"}, "value": {"of"}, "confirm": {"what"}}


def check(event: Event) -> None:
    """One event against the contract."""
    kind = event["kind"]
    assert {"seq", "at", "kind"} | KEYS[kind] <= set(event), event
    at = datetime.fromisoformat(event["at"].replace("Z", "+00:00"))
    assert at.utcoffset() == timedelta(0)
    if kind == "prompt":
        assert event["to"] in ("examiner", "patient")
        assert event["say"].strip()
    elif kind == "question":
        form = event["form"]
        assert BY_FORM[form] <= set(event), event
        assert event["eye"] in EYES
        assert event["expects"]
        assert all(isinstance(example, str) and example for example in event["expects"])
        if form == "choice":
            assert len(event["choices"]) == 2
            assert all(map(is_lens, event["choices"]))
        elif form in ("legible", "acuity"):
            assert is_lens(event["lens"])
        if form == "legible":
            above, _, below = event["line"].partition("/")
            assert above == "20"
            assert below.isdigit()
    elif kind == "heard":
        assert isinstance(event["accepted"], bool)
        assert event["by"] in (None, "patient", "examiner")
        assert event["meaning"] in {None, *(meaning.value for meaning in Meaning)}
    elif kind == "lens":
        assert event["eye"] in EYES
        assert is_lens(event)
    elif kind == "step":
        assert event["eye"] in EYES
        assert event["status"] in ("begun", "done", "skipped")
    elif kind == "flag":
        assert event["code"]
        assert event["says"].strip()
        assert event["eye"] in EYES
    else:
        assert event["status"] == "draft"
        for eye in ("right", "left"):
            assert {"sphere", "cylinder", "axis", "add", "acuity"} <= set(event[eye])
            assert (event[eye]["axis"] is None) == (not event[eye]["cylinder"])  # a cylinder has an axis, and only it


# ----------------------------------------------------------------------------------------------- a whole exam
def test_a_whole_exam_in_lock_step(held: dict[str, Any]) -> None:
    assert held["code"] == 0
    assert held["errors"] == b""
    events = held["events"]
    for event in events:
        check(event)
    assert [event["seq"] for event in events] == list(range(len(events)))
    kinds = [event["kind"] for event in events if event["kind"] != "step"]
    assert kinds[-1] == "prescription"
    assert kinds.count("prescription") == 1
    assert {event["eye"] for event in events if event["kind"] == "question"} == set(EYES)


def test_both_eyes_are_found(held: dict[str, Any]) -> None:
    draft = held["events"][-1]
    assert draft["kind"] == "prescription"
    for truth, eye in ((RIGHT, draft["right"]), (LEFT, draft["left"])):
        assert math.hypot(*error(truth, eye["sphere"], eye["cylinder"], eye["axis"])) <= 0.30
    assert draft["pd"] == 62


def test_the_log_is_the_events(held: dict[str, Any]) -> None:
    out = held["out"]
    assert check_lines((out / "exam.jsonl").read_bytes()) == []
    assert list(log_of(out).events) == held["events"]
    for name in ("prescription.json", "transcript.txt", "audio"):
        assert (out / name).exists()
    draft = json.loads((out / "prescription.json").read_text())
    assert (draft["right"], draft["left"]) == (held["events"][-1]["right"], held["events"][-1]["left"])
    assert run("verify", out).returncode == 0


def test_every_question_is_put_in_words_before_it_is_asked(held: dict[str, Any]) -> None:
    events = held["events"]
    for before, event in pairwise(events):
        if event["kind"] == "question":
            assert (before["kind"], before["to"]) == ("prompt", "examiner")


def test_the_lens_in_the_choice_is_what_was_shown(held: dict[str, Any]) -> None:
    """`lens` says what the dials should now show; the first of a pair is that lens."""
    shown: dict[str, Event] = {}
    for event in held["events"]:
        if event["kind"] == "lens":
            shown[event["eye"]] = {key: event[key] for key in ("sphere", "cylinder", "axis")}
        elif event["kind"] == "question" and event["form"] == "choice":
            first = event["choices"][0]
            assert {key: first[key] for key in ("sphere", "cylinder", "axis")} == shown[event["eye"]]


def test_examiners_words_are_heard_and_never_an_answer(held: dict[str, Any]) -> None:
    if held["by"] == "plain":
        assert all(
            event["by"] != "examiner" or event["meaning"] != "first"
            for event in held["events"]
            if event["kind"] == "heard"
        )
        return
    examiners = [event for event in held["events"] if event["kind"] == "heard" and event["by"] == "examiner"]
    counts = Counter(event["text"] for event in examiners)
    assert counts["one"] == counts["or two?"] > 20
    assert not any(event["used"] for event in examiners if event["text"] == "one")
    assert {event["meaning"] for event in examiners if event["text"] == "or two?"} == {"question"}
    timed = [event["after"] for event in held["events"] if event["kind"] == "heard"]
    assert set(timed) == {2.5, 1.0, 1.2}


def test_plain_lines_and_json_come_to_the_same_draft() -> None:
    """Compared without the clock: two exams of the same patient, in this process."""
    drafts = []
    for json_lines in (False, True):
        told, chair = patient(), Chair(Grammars(grammar_sources()))
        while not chair.over:
            question = chair.asks()
            if json_lines and question["form"] == "choice":
                chair.hears("one", Speaker.EXAMINER)
                chair.hears("or two?", Speaker.EXAMINER)
            by = Speaker.EXAMINER if question["form"] == "confirm" else Speaker.PATIENT
            chair.hears(told.say(question), by if json_lines else None)
        drafts.append([event for event in chair.events if event["kind"] == "prescription"][-1])
    for key in ("right", "left", "pd", "confirmed"):
        assert drafts[0][key] == drafts[1][key]


# ----------------------------------------------------------------------------------------- the end of the input
@pytest.mark.parametrize("said", ["", "52\n62\n20/60\ntwo\ntwo\n", '{"say": "52"}\n{"say": "62"}\n{"say": "20/200"}'])
def test_the_end_of_the_input_keeps_what_is_done(tmp_path: Path, said: str) -> None:
    out = tmp_path / "exam"
    done = run("exam", "--listen", "text", "--events", "-", "--out", out, says=said)
    assert (done.returncode, done.stderr) == (0, b"")
    events = lines(done.stdout)
    for event in events:
        check(event)
    assert events[-1]["kind"] == "prescription"
    assert events[-1]["confirmed"] is False
    assert not events[-1]["right"]["complete"]
    heard = [event for event in events if event["kind"] == "heard"]
    assert len(heard) == len(said.splitlines())
    assert json.loads((out / "prescription.json").read_text())["status"] == "draft"
    assert list(log_of(out).events) == events


def test_people_read_a_conversation_and_where_the_folder_is(tmp_path: Path) -> None:
    out = tmp_path / "exam"
    done = run("exam", "--listen", "text", "--out", out, says="skip\n62\n20/60\ntwo\n")
    assert (done.returncode, done.stderr) == (0, b"")
    printed = done.stdout.decode()
    assert "“20/60”" in printed
    assert "DRAFT, not valid until signed" in printed
    assert printed.splitlines()[-1] == f"Exam folder: {out}"


def test_events_go_to_a_file_beside_the_conversation(tmp_path: Path) -> None:
    out, file = tmp_path / "exam", tmp_path / "events.jsonl"
    done = run("exam", "--listen", "text", "--out", out, "--events", file, says="skip\n62\n")
    assert done.returncode == 0
    assert b"DRAFT" in done.stdout
    assert lines(file.read_bytes()) == list(log_of(out).events)


def test_a_starting_point_is_where_the_dials_begin(tmp_path: Path) -> None:
    start = tmp_path / "start.json"
    eyes = {"right": {"sphere": -1.25, "cylinder": -0.5, "axis": 90, "acuity": "20/60"}, "left": {"sphere": 0.25}}
    start.write_text(json.dumps({"patient": "K-07", "age": 30, "pd": 62, **eyes}))
    done = run(
        "exam", "--listen", "text", "--events", "-", "--start", start, "--asks", "assistant", "--out", tmp_path / "exam"
    )
    events = lines(done.stdout)
    first = next(event for event in events if event["kind"] == "lens")
    assert [first[key] for key in ("eye", "sphere", "cylinder", "axis")] == ["right", -1.25, -0.5, 90]
    asked = next(event for event in events if event["kind"] == "question")
    assert (asked["form"], asked["step"]) == ("choice", "sphere")  # nothing that is known is asked
    assert [event["to"] for event in events if event["kind"] == "prompt"].count("patient") == 1
    assert events[-1]["right"]["sphere"] == -1.25


# ------------------------------------------------------------------------------------------ what is understood
@pytest.fixture(scope="module")
def grammars() -> Grammars:
    return Grammars(grammar_sources())


class Chair:
    """An exam in this process; its last question and last utterance are at hand."""

    def __init__(self, grammars: Grammars) -> None:
        self.events: list[Event] = []
        self.session = Session(grammars, watch=(self.events.append,))
        self.session.begin()

    @property
    def over(self) -> bool:
        return self.session.over

    def asks(self) -> Event:
        return [event for event in self.events if event["kind"] == "question"][-1]

    def hears(self, text: str, by: Speaker | None = None) -> Event:
        self.session.take(self.session.typed(text, by))
        return [event for event in self.events if event["kind"] == "heard"][-1]

    def to(self, form: str, told: ForeignPatient) -> Chair:
        while self.asks()["form"] != form:
            self.hears(told.say(self.asks()))
        return self


CHOICE = {
    "first": ["one", "One.", "ONE", "1", "number one", "the first one", "um, one I think"],
    "second": ["two", "Two!", "2", "number two", "the second one", "um, two I think", "definitely two"],
    "same": ["same", "the same", "about the same", "no difference", "they look the same"],
    "unsure": ["can't tell", "I can’t tell", "cant tell", "can't tell the difference between them", "not sure"],
    "again": ["again", "show me again", "can I see that again"],
}


@pytest.mark.parametrize(
    ("meaning", "words"),
    [(meaning, words) for meaning, ways in CHOICE.items() for words in ways if "difference between" not in words],
)
def test_answers_that_every_choice_understands(grammars: Grammars, meaning: str, words: str) -> None:
    chair = Chair(grammars).to("choice", patient())
    for by in (None, Speaker.PATIENT):
        heard = chair.hears(words, by)
        assert (heard["meaning"], heard["accepted"], heard["used"]) == (meaning, True, True)
        chair.to("choice", patient())


@pytest.mark.parametrize("words", ["one", "two", "same", "can't tell", "again"])
def test_every_choice_of_an_exam_understands_them(grammars: Grammars, words: str) -> None:
    chair, told = Chair(grammars), patient()
    choices = 0
    while not chair.over:
        question = chair.asks()
        if question["form"] == "choice":
            heard = chair.hears(words)
            assert heard["used"], (question, heard)
            choices += 1
            if not chair.over:
                chair.hears("undo")
        if not chair.over:
            chair.hears(told.say(chair.asks()))
    assert choices > 20


def test_what_a_question_expects_it_understands(grammars: Grammars) -> None:
    chair, told = Chair(grammars), patient()
    tried = set()
    while not chair.over:
        question = chair.asks()
        for example in question["expects"]:
            heard = chair.session.typed(example)
            assert heard.outcome is Outcome.HEARD, (question, example)
            tried.add((question["form"], example))
        chair.hears(told.say(question))
    assert {form for form, _ in tried} == {"choice", "legible", "acuity", "value", "confirm"}


def test_values_are_skipped_and_read_backs_confirmed(grammars: Grammars) -> None:
    for by in (None, Speaker.PATIENT, Speaker.EXAMINER):
        chair = Chair(grammars)
        while chair.asks()["form"] == "value":
            assert chair.hears("skip", by)["used"]
    chair = Chair(grammars)
    chair.hears("finish")
    assert chair.asks()["form"] == "confirm"
    assert chair.hears("confirm")["used"]
    assert chair.over


@pytest.mark.parametrize("words", ["one", "number two", "two", "the second one", "same", "can't tell"])
def test_an_answers_words_from_the_examiner_answer_nothing(grammars: Grammars, words: str) -> None:
    chair = Chair(grammars).to("choice", patient())
    before, asked = chair.session.exam.state, len(chair.events)
    for _ in range(10):
        assert not chair.hears(words, Speaker.EXAMINER)["used"]
    assert chair.session.exam.state == before
    assert [event["kind"] for event in chair.events[asked:]] == ["heard"] * 10


def test_the_question_in_two_pieces_then_the_answer(grammars: Grammars) -> None:
    """The examiner says "one" and, as the lens is turned, "or two?"; then the patient says "two"."""
    chair = Chair(grammars).to("choice", patient())
    question = chair.asks()
    for words in ("one", "or two?"):
        chair.hears(words, Speaker.EXAMINER)
        assert chair.asks() == question
    heard = chair.hears("two", Speaker.PATIENT)
    assert (heard["meaning"], heard["used"]) == ("second", True)
    assert chair.asks() != question


@pytest.mark.parametrize(
    "words",
    [
        "better one or better two",
        "which is better, one or two",
        "one or two?",
        "is it one or two",
        "better with one or with two",
    ],
)
@pytest.mark.parametrize("by", [None, Speaker.EXAMINER], ids=str)
def test_the_question_itself_is_never_an_answer(grammars: Grammars, words: str, by: Speaker | None) -> None:
    chair = Chair(grammars).to("choice", patient())
    question = chair.asks()
    assert chair.hears(words, by)["meaning"] == "question"
    assert chair.asks() == question


@pytest.mark.parametrize(
    "words", ["not two", "one no two", "this one", "the other one", "better", "two isn't better", "one, not two"]
)
def test_what_turns_an_answer_round_or_names_no_lens_is_asked_again(grammars: Grammars, words: str) -> None:
    """ "One" taken for "two" is the worst fault there is."""
    chair = Chair(grammars).to("choice", patient())
    question = chair.asks()
    assert not chair.hears(words)["accepted"]
    assert {key: chair.asks()[key] for key in ("form", "choices")} == {
        key: question[key] for key in ("form", "choices")
    }
    assert chair.asks()["attempt"] == 1


def test_silence_is_asked_again_and_moves_nothing(grammars: Grammars) -> None:
    chair = Chair(grammars).to("choice", patient())
    lens = chair.session.exam.state.right.state.lens
    for words in ("", "   "):
        heard = chair.hears(words)
        assert (heard["outcome"], heard["accepted"]) == ("silence", False)
    assert chair.asks()["attempt"] == 2
    assert chair.session.exam.state.right.state.lens == lens

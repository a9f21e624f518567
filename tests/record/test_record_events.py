"""Effects as log events and back. The keys and units checked here are the command-line contract's."""

from __future__ import annotations

import json
from dataclasses import fields

import numpy
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.optics.lens import CrossCylinder, Lens
from assistant.protocol.effects import (
    Ask,
    EyeResult,
    Flag,
    Prescribe,
    Recorded,
    Say,
    ShowLens,
    Status,
    StepChange,
)
from assistant.protocol.meanings import Heard, Meaning, Outcome, Speaker
from assistant.protocol.questions import AcuityQuestion, Choice, Confirm, Eye, Legible, Value
from assistant.record.events import (
    KINDS,
    EventError,
    Recording,
    Words,
    event,
    heard_from_event,
    lens_from_dict,
    lens_to_dict,
    plain,
    prescription_from_event,
)

axes = st.integers(1, 180)
crosses = st.none() | st.builds(CrossCylinder, st.sampled_from([12, 25, 37, 50, 75, 100]), axes)
lenses = st.builds(Lens, st.integers(-2000, 2000), st.integers(-800, 0), axes, crosses)
texts = st.text(max_size=30)
finite = st.floats(-1e6, 1e6)

POWERS = [Meaning.SET_SPHERE, Meaning.SET_CYLINDER, Meaning.SET_ADD]


@st.composite
def hearings(draw: st.DrawFn) -> Heard:
    outcome = draw(st.sampled_from(Outcome))
    if outcome is Outcome.SILENCE:
        meaning = None
    elif outcome is Outcome.HEARD:
        meaning = draw(st.sampled_from(Meaning))
    else:
        meaning = draw(st.none() | st.sampled_from(Meaning))
    # a power is whole hundredths, or out of range in eighths of a dioptre
    eighths = st.integers(-200, 200).map(lambda n: n * 12.5)
    value = draw(
        st.none() | st.integers(-4000, 4000) | eighths
        if meaning in POWERS
        else st.none() | st.integers(-4000, 4000) | finite | texts
    )
    return Heard(
        text=draw(texts),
        outcome=outcome,
        meaning=meaning,
        value=value,
        by=draw(st.none() | st.sampled_from(Speaker)),
        score=draw(st.none() | finite),
        after=draw(st.none() | st.floats(0, 1e4)),
        hedged=draw(st.booleans()),
        typed=draw(st.booleans()),
    )


@given(hearings(), st.booleans())
def test_an_utterance_survives_the_log(heard: Heard, used: bool) -> None:
    written = json.loads(json.dumps(event(Recorded(heard, used)), allow_nan=False))
    assert heard_from_event(written) == heard
    assert written["used"] is used
    assert written["accepted"] is heard.accepted


def test_no_field_of_an_utterance_is_forgotten() -> None:
    """A field added to what the exam hears must be logged and read too, or a replay would not be one."""
    written = event(Recorded(Heard("two", Outcome.HEARD, Meaning.SECOND), True))
    assert {field.name for field in fields(Heard)} <= set(written)


@given(lenses)
def test_a_lens_survives_the_log(lens: Lens) -> None:
    assert lens_from_dict(json.loads(json.dumps(lens_to_dict(lens)))) == lens


eye_results = st.builds(
    EyeResult,
    sphere=st.none() | st.integers(-2000, 2000),
    cylinder=st.none() | st.integers(-800, 0),
    axis=st.none() | axes,
    add=st.none() | st.integers(0, 400),
    acuity=st.none() | st.just("20/20"),
    intermediate=st.none() | st.integers(0, 200),
    change=st.none() | st.fixed_dictionaries({"m": finite, "j0": finite, "j45": finite}),
)


prescriptions = st.builds(
    Prescribe,
    eye_results,
    eye_results,
    st.none() | st.floats(45, 80),
    st.booleans(),
    vertex=st.none() | st.floats(0, 20),
    cautions=st.lists(st.text(min_size=1), max_size=2).map(tuple),
)


@given(prescriptions)
def test_a_prescription_survives_the_log(prescribe: Prescribe) -> None:
    written = json.loads(json.dumps(event(prescribe)))
    assert prescription_from_event(written) == prescribe
    assert written["status"] == "draft"


def test_a_choice_is_written_as_the_contract_says() -> None:
    lens = Lens.of(-1.25, -0.5, 90)
    second = lens.with_cross(CrossCylinder(25, 45))
    asked = event(Ask(Choice(Eye.RIGHT, "axis", lens, second), 7, 1), Words(expects=("one", "two")))
    assert asked == {
        "kind": "question",
        "eye": "right",
        "step": "axis",
        "form": "choice",
        "expects": ["one", "two"],
        "choices": [
            {"sphere": -1.25, "cylinder": -0.5, "axis": 90, "cross_cylinder": None},
            {
                "sphere": -1.25,
                "cylinder": -0.5,
                "axis": 90,
                "cross_cylinder": {"power": 0.25, "minus_axis": 45},
            },
        ],
        "number": 7,
        "attempt": 1,
    }


@pytest.mark.parametrize(
    ("question", "keys"),
    [
        (
            Legible(Eye.LEFT, "over_minus", Lens.of(1), "20/20"),
            {"lens": lens_to_dict(Lens.of(1)), "line": "20/20"},
        ),
        (AcuityQuestion(Eye.LEFT, "acuity", Lens.of(1)), {"lens": lens_to_dict(Lens.of(1))}),
        (Value(Eye.BOTH, "start", "pd"), {"of": "pd"}),
        (Confirm(Eye.BOTH, "read_back", "prescription"), {"what": "prescription"}),
    ],
)
def test_each_form_of_question_has_its_keys(question: object, keys: dict[str, object]) -> None:
    asked = event(Ask(question, 1))
    assert keys.items() <= asked.items()
    assert asked["form"] == question.form


def test_the_other_kinds_are_written_as_the_contract_says() -> None:
    assert event(Say(Speaker.PATIENT, "greeting"), Words("Good morning")) == {
        "kind": "prompt",
        "to": "patient",
        "say": "Good morning",
        "key": "greeting",
    }
    assert event(ShowLens(Eye.LEFT, Lens.of(0.25))) == {
        "kind": "lens",
        "eye": "left",
        "sphere": 0.25,
        "cylinder": 0.0,
        "axis": 180,
        "cross_cylinder": None,
    }
    assert event(StepChange(Eye.LEFT, "sphere", Status.SKIPPED)) == {
        "kind": "step",
        "eye": "left",
        "step": "sphere",
        "status": "skipped",
    }
    flag = event(Flag("dial_end", Eye.RIGHT, {"lens": Lens.of(20)}), Words("The sphere dial is at its end"))
    assert flag["code"] == "dial_end"
    assert flag["eye"] == "right"
    assert flag["says"] == "The sphere dial is at its end"
    assert flag["facts"] == {"lens": lens_to_dict(Lens.of(20))}


def test_a_power_is_logged_in_dioptres_and_other_numbers_as_they_are() -> None:
    def value(meaning: Meaning, given: int | str) -> object:
        return event(Recorded(Heard("", Outcome.HEARD, meaning, given), True))["value"]

    assert value(Meaning.SET_SPHERE, -225) == -2.25
    assert value(Meaning.SET_ADD, 150) == 1.5
    assert value(Meaning.SET_AXIS, 175) == 175
    assert value(Meaning.SET_PD, 62) == 62
    assert value(Meaning.SET_ACUITY, "20/25") == "20/25"


def test_a_recording_is_named_with_its_hash() -> None:
    written = event(
        Recorded(Heard("two", Outcome.HEARD, Meaning.SECOND), True), None, Recording("audio/0007.flac", "ab")
    )
    assert (written["audio"], written["audio_sha256"]) == ("audio/0007.flac", "ab")


def test_a_score_that_is_not_finite_does_not_cost_the_event() -> None:
    written = event(Recorded(Heard("two", Outcome.DOUBTFUL, Meaning.SECOND, score=float("-inf")), False))
    assert written["score"] is None
    json.dumps(written, allow_nan=False)


def test_scalars_of_an_array_library_come_out_plain() -> None:
    made = plain({"a": numpy.float32(0.5), "b": [numpy.int64(3)], "c": numpy.float64("nan"), "d": Eye.LEFT})
    assert json.loads(json.dumps(made)) == {"a": 0.5, "b": [3], "c": None, "d": "left"}
    assert type(made["a"]) is float


def test_events_with_the_contracts_keys_alone_are_read() -> None:
    said = {
        "kind": "heard",
        "text": "two",
        "meaning": "second",
        "by": "patient",
        "accepted": True,
        "score": None,
        "after": 1.5,
    }
    assert heard_from_event(said) == Heard("two", Outcome.HEARD, Meaning.SECOND, by=Speaker.PATIENT, after=1.5)
    assert heard_from_event(said | {"accepted": False}).outcome is Outcome.DOUBTFUL
    assert heard_from_event(said | {"accepted": False, "meaning": None}).outcome is Outcome.NOT_UNDERSTOOD


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"meaning": "third"}, "meaning"),
        ({"outcome": "perhaps"}, "outcome"),
        ({"by": "dog"}, "by"),
        ({"kind": "lens"}, "kind"),
        ({"meaning": None}, "meaning"),
    ],
)
def test_a_broken_heard_event_is_refused_by_name(change: dict[str, object], key: str) -> None:
    said = event(Recorded(Heard("two", Outcome.HEARD, Meaning.SECOND), True))
    with pytest.raises(EventError, match=f"^{key}:"):
        heard_from_event(said | change)


@pytest.mark.parametrize(
    "broken",
    [
        {},
        {"sphere": 1.0, "cylinder": 0.5, "axis": 90},
        {"sphere": "1", "cylinder": 0, "axis": 90},
        {"sphere": 1.0, "cylinder": -1.0, "axis": 0},
        {"sphere": 1.0, "cylinder": -1.0, "axis": 90, "cross_cylinder": {"power": 0.3, "minus_axis": 1}},
        {"sphere": 1.0, "cylinder": -1.0, "axis": 90, "cross_cylinder": 3},
    ],
)
def test_a_broken_lens_is_refused(broken: dict[str, object]) -> None:
    with pytest.raises(EventError, match=r"^lens: "):
        lens_from_dict(broken)


def test_the_kinds_are_the_contracts() -> None:
    assert KINDS == ("prompt", "question", "heard", "lens", "step", "flag", "prescription")

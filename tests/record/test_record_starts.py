"""Starting points from our own JSON: what is right is read, what is wrong is one clear line, nothing by
halves.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.errors import UserError
from assistant.optics.lens import Lens
from assistant.protocol.start import Start, StartEye
from assistant.record.starts import read_start, start_from_dict, start_to_dict

quarter_lenses = st.builds(
    lambda sphere, cylinder, axis: Lens(25 * sphere, 25 * cylinder, axis),
    st.integers(-40, 40),
    st.integers(-16, 0),
    st.integers(1, 180),
)
start_eyes = st.builds(StartEye, st.none() | quarter_lenses, st.none() | st.sampled_from(["20/20", "20/25-2"]))
starts = st.builds(
    Start,
    start_eyes,
    start_eyes,
    st.none() | st.floats(40, 80),
    st.none() | st.integers(1, 120),
    st.none() | st.text(min_size=1),
)


@given(starts)
def test_a_start_survives_being_written(start: Start) -> None:
    assert start_from_dict(json.loads(json.dumps(start_to_dict(start)))) == start


def given_file(tmp_path: Path, content: Any) -> Path:
    path = tmp_path / "start.json"
    path.write_text(content if isinstance(content, str) else json.dumps(content), "utf-8")
    return path


def test_our_own_form_is_read(tmp_path: Path) -> None:
    content = {
        "patient": "K-07",
        "age": 52,
        "pd": 62.5,
        "right": {"sphere": -1.25, "cylinder": -0.5, "axis": 90, "acuity": "20/60"},
        "left": {"sphere": 0.25, "acuity": "6/9"},
    }
    start, notes = read_start(given_file(tmp_path, content))
    assert notes == []
    assert start_from_dict(start) == Start(
        StartEye(Lens.of(-1.25, -0.5, 90), "20/60"), StartEye(Lens.of(0.25), "20/30"), 62.5, 52, "K-07"
    )
    nested = {
        "eyes": {"right": content["right"], "left": content["left"]},
        "pd": 62.5,
        "age": 52,
        "patient": "K-07",
    }
    assert read_start(given_file(tmp_path, nested)) == (start, notes)
    assert read_start(given_file(tmp_path, "\ufeff{}")) == ({}, [])


def test_plus_cylinder_is_transposed(tmp_path: Path) -> None:
    """+1.00 +0.50 x 35 is +1.50 -0.50 x 125 (National Federation of Opticianry Schools, OPT11 8c)."""
    start, _ = read_start(given_file(tmp_path, {"right": {"sphere": 1, "cylinder": 0.5, "axis": 35}}))
    assert start_from_dict(start).right.lens == Lens.of(1.5, -0.5, 125)


@pytest.mark.parametrize(
    ("content", "what"),
    [
        ("{", "is not JSON"),
        ("", "is not JSON"),
        ("[" * 100_000, "is not JSON"),
        ('{"pd": NaN}', "NaN is not a number JSON has"),
        ("[1]", "is a JSON object"),
        ({"rigth": {}}, "rigth: no such key; did you mean right?"),
        ({"right": {"sphear": 1}}, "right: sphear: no such key; did you mean sphere?"),
        ({"right": {"colour": 1}}, "there are sphere, cylinder, axis, acuity"),
        ({"right": -1.25}, "right: an object"),
        ({"eyes": 3}, "eyes: "),
        ({"eyes": {"right": {}}, "right": {}}, "right: is given twice"),
        ({"right": {"sphere": "minus one"}}, "right eye: sphere: 'minus one' is not a number"),
        ({"right": {"sphere": -1.3}}, "right eye: sphere and cylinder: the dials move in quarter"),
        ({"right": {"sphere": -1.255}}, "right eye: sphere: -1.255 is finer"),
        ({"right": {"sphere": -30}}, "right eye: sphere: -30.00 is beyond the dial"),
        ({"left": {"sphere": 0, "cylinder": -9, "axis": 5}}, "left eye: cylinder: -9.00 is beyond the dial"),
        ({"left": {"sphere": 0, "cylinder": -1}}, "left eye: axis: is missing"),
        ({"left": {"sphere": 0, "cylinder": -1, "axis": 200}}, "left eye: axis: 200"),
        ({"left": {"sphere": 0, "cylinder": -1, "axis": "90"}}, "left eye: axis: '90' is not a whole number"),
        ({"left": {"cylinder": -1, "axis": 20}}, "left eye: cylinder: is given without a sphere"),
        ({"left": {"acuity": "good"}}, 'left eye: acuity: "good" is none'),
        ({"left": {"acuity": [20, 20]}}, "left eye: acuity: "),
        ({"age": "old"}, "age: 'old' is not a number"),
        ({"age": 40.5}, "age: 40.5 is not whole"),
        ({"age": 400}, "age: 400 is outside"),
        ({"pd": 6.2}, "pd: 6.2 is outside"),
        ({"pd": True}, "pd: True is not a number"),
        ({"patient": ["K"]}, "patient: a code"),
        ({"resourceType": "Patient"}, "resourceType: 'Patient' is not VisionPrescription"),
    ],
)
def test_what_is_wrong_is_one_line_naming_file_and_field(tmp_path: Path, content: Any, what: str) -> None:
    path = given_file(tmp_path, content)
    with pytest.raises(UserError) as error:
        read_start(path)
    assert what in str(error.value)
    assert str(path) in str(error.value)
    assert "\n" not in str(error.value)


def test_files_that_cannot_be_read_are_told_plainly(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="does not exist"):
        read_start(tmp_path / "none.json")
    with pytest.raises(UserError, match="cannot be read"):
        read_start(tmp_path)
    (tmp_path / "sound.wav").write_bytes(b"RIFF\xff\xfe")
    with pytest.raises(UserError, match="is not text"):
        read_start(tmp_path / "sound.wav")

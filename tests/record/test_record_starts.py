"""Starting points from our own JSON: what is right is read, what is wrong is one clear line, nothing by
halves.
"""

from __future__ import annotations

import contextlib
import json
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.errors import UserError
from assistant.optics.lens import Lens
from assistant.protocol import plan
from assistant.protocol.instrument import CylinderSign, Instrument
from assistant.protocol.questions import Eye
from assistant.protocol.start import SOURCES, Manner, Road, Start, StartEye, When
from assistant.record.dicom import write
from assistant.record.dicom_read import AUTOREFRACTION, LENSOMETRY
from assistant.record.starts import read_start, start_from_dict, start_to_dict
from assistant.record.summary import read_summary

quarter_lenses = st.builds(
    lambda sphere, cylinder, axis: Lens(25 * sphere, 25 * cylinder, axis),
    st.integers(-40, 40),
    st.integers(-16, 0),
    st.integers(1, 180),
)
lines = st.none() | st.sampled_from(["20/20", "20/25-2"])
start_eyes = st.builds(StartEye, quarter_lenses, lines, lines, st.none() | quarter_lenses)
instruments = st.builds(
    lambda sign, low, high, most: Instrument(sign, 25 * low, 25 * high, 25 * most),
    st.sampled_from(CylinderSign),
    st.integers(-80, -76),
    st.integers(76, 80),
    st.integers(28, 32),
)
manners = st.builds(
    Manner,
    road=st.sampled_from(Road),
    eyes=st.sampled_from([(Eye.RIGHT, Eye.LEFT), (Eye.LEFT, Eye.RIGHT), (Eye.LEFT,)]),
    near=st.sampled_from(When),
    balance=st.booleans(),
    duochrome=st.booleans(),
    intake=st.booleans(),
    power_by=st.sampled_from(["dial", "cross"]),
    working_distance=st.integers(10, 200),
    instrument=instruments,
)
millimetres = st.none() | st.floats(40, 80)
starts = st.builds(
    Start,
    right=start_eyes,
    left=start_eyes,
    pd=millimetres,
    age=st.none() | st.integers(1, 120),
    patient=st.none() | st.text(min_size=1),
    near_pd=millimetres,
    vertex=st.none() | st.integers(5, 20),
    amplitude=st.none() | st.floats(0, 25),
    source=st.none() | st.sampled_from(SOURCES),
    reason=st.none() | st.text(),
    red_flags=st.lists(st.sampled_from(sorted(plan.RED_FLAGS)), unique=True).map(tuple),
    dominant=st.none() | st.sampled_from([Eye.RIGHT, Eye.LEFT]),
    manner=manners,
)


def test_no_field_of_a_start_is_forgotten() -> None:
    """A field added to the exam's start must be written and read too, or a replay would not be one."""
    given = {"right", "left", "pd", "age", "patient", "near_pd", "vertex", "amplitude", "source", "reason",
             "red_flags", "dominant", "manner"}  # fmt: skip
    assert {field.name for field in fields(Start)} == given
    assert {field.name for field in fields(StartEye)} == {"lens", "acuity", "unaided", "glasses"}


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


def test_retinoscopys_working_distance_is_taken_off(tmp_path: Path) -> None:
    """At 67 cm a neutral reflex is 1.50 D of myopia: 1/0.67 = 1.49 (common practice)."""
    content = {
        "source": "retinoscopy",
        "retinoscopy_distance": 67,
        "right": {"sphere": 1.0},
        "left": {"acuity": "20/40"},
    }
    start, notes = read_start(given_file(tmp_path, content))
    assert start["right"]["sphere"] == -0.5
    assert "retinoscopy_distance" not in start, "or a replay would take it off again"
    assert notes == ["right eye: 1.49 D taken off for 67 cm, sphere -0.50"]


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
        ({"right": {"colour": 1}}, "there are sphere, cylinder, axis, acuity, unaided, glasses"),
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
        ({"source": "a friend"}, "source: 'a friend' is none of glasses"),
        ({"reason": 3}, "reason: 3 is not text"),
        ({"red_flags": "pain"}, "red_flags: a list of codes"),
        ({"red_flags": ["boredom"]}, "red_flags: 'boredom' is none of"),
        ({"dominant": "middle"}, "dominant: 'middle' is none of right, left"),
        ({"vertex": 40}, "vertex: 40 is outside"),
        ({"manner": []}, "manner: an object is meant"),
        ({"manner": {"raod": "near"}}, "manner: raod: no such key; did you mean road?"),
        ({"manner": {"road": "high"}}, "road: 'high' is none of full, refine, recheck, near"),
        ({"manner": {"eyes": "right"}}, "eyes: a list is meant"),
        ({"manner": {"balance": "yes"}}, "balance: true or false is meant"),
        ({"manner": {"power_by": 3}}, "power_by: text is meant"),
        ({"manner": {"working_distance": "far"}}, "working_distance: a number is meant"),
        ({"manner": {"working_distance": 40.5}}, "working_distance: a number is meant"),
        ({"manner": {"instrument": {"cylinders": "both"}}}, "cylinders: 'both' is none of minus, plus"),
        ({"manner": {"instrument": {"sphere_low": 5}}}, "instrument: sphere dial"),
        ({"manner": {"instrument": {"sphere_low": "low"}}}, "sphere_low: 'low' is not a number"),
        ({"manner": {"road": "refine"}}, "begins at a starting lens"),
        ({"right": {"sphere": 0, "glasses": 3}}, "right: glasses: an object"),
        ({"right": {"glasses": {"sphere": -1.3}}}, "right eye: sphere and cylinder: the dials move in quarter"),
        ({"retinoscopy_distance": 67}, 'retinoscopy_distance: goes with "source": "retinoscopy"'),
        ({"source": "retinoscopy", "retinoscopy_distance": 5}, "is outside 30 to 150 centimetres"),
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
    with pytest.raises(UserError, match="is not text; a starting point is"):
        read_start(tmp_path / "sound.wav")


# ---------------------------------------------------------------------------------------- from DICOM
def dicom_file(tmp_path: Path, sop_class: str, right: Any, left: Any, **others: Any) -> Path:
    """A DICOM file with a sequence of each eye: (sphere, cylinder, axis, add) or None."""
    pytest.importorskip("pydicom", reason="the extra `dicom` is not installed")
    from pydicom.dataset import Dataset, FileMetaDataset
    from pydicom.uid import ExplicitVRLittleEndian

    names = {
        LENSOMETRY: ("RightLensSequence", "LeftLensSequence"),
        AUTOREFRACTION: ("AutorefractionRightEyeSequence", "AutorefractionLeftEyeSequence"),
    }[sop_class]
    dataset = Dataset()
    dataset.SOPClassUID, dataset.SOPInstanceUID, dataset.PatientID = sop_class, "2.25.7", "K-07"
    for name, eye in zip(names, (right, left), strict=True):
        if eye is None:
            continue
        sphere, cylinder, axis, add = eye
        item = Dataset()
        item.SpherePower = sphere
        if cylinder is not None:
            part = Dataset()
            part.CylinderPower = cylinder
            if axis is not None:
                part.CylinderAxis = axis
            item.CylinderSequence = [part]
        if add is not None:
            part = Dataset()
            part.AddPower = add
            item.AddNearSequence = [part]
        setattr(dataset, name, [item])
    for keyword, value in others.items():
        setattr(dataset, keyword, value)
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset.file_meta.MediaStorageSOPClassUID, dataset.file_meta.MediaStorageSOPInstanceUID = sop_class, "2.25.7"
    path = tmp_path / "measured.dcm"
    dataset.save_as(path, enforce_file_format=True)
    return path


def test_glasses_measured_by_lensometer_are_a_start(tmp_path: Path) -> None:
    path = dicom_file(tmp_path, LENSOMETRY, (-1.25, -0.5, 90.0, 2.0), (0.25, None, None, None))
    start, notes = read_start(path)
    assert start == {
        "source": "glasses",
        "patient": "K-07",
        "right": {"sphere": -1.25, "cylinder": -0.5, "axis": 90},
        "left": {"sphere": 0.25, "cylinder": 0.0, "axis": 180},
    }
    assert notes == ["right eye: add +2.0, not part of the start"]


def test_an_autorefraction_is_a_start(tmp_path: Path) -> None:
    path = dicom_file(
        tmp_path,
        AUTOREFRACTION,
        (-1.12, 0.37, 0.0, None),
        None,
        DistancePupillaryDistance=62.5,
        NearPupillaryDistance=59,
    )
    start, notes = read_start(path)
    assert (start["source"], start["pd"], start["near_pd"]) == ("autorefraction", 62.5, 59.0)
    # -1.12 +0.37 x 180 is -0.75 -0.37 x 90; the nearest clicks keep its spherical equivalent within 0.125 D
    assert start["right"] == {"sphere": -0.75, "cylinder": -0.25, "axis": 90}
    assert [note.split(":")[0] for note in notes] == ["right eye", "right eye", "left eye"]
    assert any("rounded" in note for note in notes)


def test_our_own_refraction_object_is_a_start(tmp_path: Path, exam: Path) -> None:
    pytest.importorskip("pydicom", reason="the extra `dicom` is not installed")
    paths = write(read_summary(exam), tmp_path / "out")
    start, _ = read_start(paths[0])
    assert start["right"] == {"sphere": -1.5, "cylinder": -0.5, "axis": 90}
    assert start["pd"] == 62
    with pytest.raises(UserError, match="it is none of Lensometry, Autorefraction"):
        read_start(paths[-1])


@pytest.mark.parametrize(
    ("right", "left", "others", "what"),
    [
        (None, None, {}, "measures neither"),
        ((0, -1.0, None, None), None, {}, "right eye: Cylinder Power is given without an axis"),
        ((0, -1.0, 200.0, None), None, {}, "right eye: Cylinder Axis 200.0 is outside"),
        ((float("nan"), None, None, None), None, {}, "SpherePower: nan is not a number"),
        ((-30.0, None, None, None), None, {}, "right eye: sphere: -30.00 is beyond the dial"),
        ((0, None, None, None), None, {"DistancePupillaryDistance": 6.2}, "pd: 6.2 is outside"),
    ],
)
def test_a_measurement_that_cannot_be_is_refused(
    tmp_path: Path, right: Any, left: Any, others: dict[str, Any], what: str
) -> None:
    path = dicom_file(tmp_path, AUTOREFRACTION, right, left, **others)
    with pytest.raises(UserError) as error:
        read_start(path)
    assert what in str(error.value)
    assert "\n" not in str(error.value)


def test_a_damaged_dicom_file_is_told_plainly(tmp_path: Path) -> None:
    path = dicom_file(tmp_path, LENSOMETRY, (-1.25, -0.5, 90.0, 2.0), None)
    raw = path.read_bytes()
    for length in range(132, len(raw), 7):
        path.write_bytes(raw[:length])
        with contextlib.suppress(UserError):  # cut between two attributes it may still be whole enough to read
            read_start(path)
    path.write_bytes(raw[:132] + b"\xff" * 200)
    with pytest.raises(UserError):
        read_start(path)


def test_a_prism_measured_by_lensometer_is_told(tmp_path: Path) -> None:
    pytest.importorskip("pydicom", reason="the extra `dicom` is not installed")
    from pydicom import dcmread
    from pydicom.dataset import Dataset

    path = dicom_file(tmp_path, LENSOMETRY, (-1.25, None, None, None), (0.0, None, None, None))
    dataset = dcmread(path)
    prism = Dataset()
    prism.HorizontalPrismPower, prism.HorizontalPrismBase = 1.5, "OUT"
    dataset.RightLensSequence[0].PrismSequence = [prism]
    dataset.save_as(path)
    _, notes = read_start(path)
    assert any(note.startswith("right eye: prism 1.5 base out") for note in notes)

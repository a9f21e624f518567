"""FHIR both ways.

Outside references: the official R4 StructureDefinition and the official R4 and R5 examples of
VisionPrescription (HL7, CC0; ../shared/fhir beside the project, skipped where absent), and the validator
`fhir.resources` (PyPI).
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_exam import HEADER, SMALL_EXAM, ticking

from assistant.errors import UserError
from assistant.optics.acuity import Acuity
from assistant.optics.lens import Lens
from assistant.protocol.effects import EyeResult, Prescribe
from assistant.record.events import Event, event
from assistant.record.fhir import bundle, dioptres, spectacles_of, to_json, vision_prescription
from assistant.record.fhir_read import FhirError, read_vision_prescription
from assistant.record.folder import ExamFolder
from assistant.record.log import Log, sealed
from assistant.record.signing import signed_event
from assistant.record.starts import read_start, start_from_dict, start_from_spectacles
from assistant.record.summary import Summary, read_summary, summary_of

OFFICIAL = Path(__file__).parents[2].parent / "shared" / "fhir"
EXAMPLES = [
    "r4-VisionPrescription-33123.json",
    "r4-VisionPrescription-33124.json",
    "r5-VisionPrescription-33123.json",
    "r5-VisionPrescription-33124.json",
]


def official(name: str) -> Path:
    path = OFFICIAL / name
    if not path.is_file():
        pytest.skip(f"{name}: HL7's official files are not at ../shared/fhir")
    return path


def read(path: Path) -> Any:
    return json.loads(path.read_text("utf-8"), parse_float=Decimal)


def log_with(right: EyeResult, left: EyeResult, pd: float | None = 62.0, signed: bool = False) -> Log:
    """A log that comes to this prescription."""
    events: list[Event] = []

    def add(content: Event) -> None:
        made: Event = {"seq": len(events), "at": "2030-01-02T09:30:00.000Z", **content}
        if not events:
            made["header"] = HEADER
        events.append(sealed({**made, "prev": events[-1]["hash"] if events else "0" * 64})[0])

    for effect, words in SMALL_EXAM[:-1]:
        add(event(effect, words))
    add(event(Prescribe(right, left, pd, True)))
    if signed:
        add(signed_event(Log(tuple(events)), "A. Practitioner", "L-1234", ticking()))
    return Log(tuple(events))


lines = st.sampled_from(["20/20", "20/15", "20/25-2", "20/400"])


@st.composite
def eyes(draw: st.DrawFn) -> EyeResult:
    cylinder = 25 * draw(st.integers(-32, 0))
    return EyeResult(
        sphere=25 * draw(st.integers(-80, 80)),
        cylinder=cylinder,
        axis=draw(st.integers(1, 180)) if cylinder else None,
        add=draw(st.none() | st.integers(2, 14).map(lambda n: 25 * n)),
        acuity=draw(st.none() | lines),
        entering_acuity=draw(st.none() | lines),
        complete=draw(st.booleans()),
    )


NOT_MEASURED = EyeResult(None, None, None, None, None, complete=False)
summaries = st.builds(
    lambda right, left, pd, signed: summary_of(log_with(right, left, pd, signed)),
    eyes(),
    eyes() | st.just(NOT_MEASURED),
    st.none() | st.integers(90, 160).map(lambda n: n / 2),
    st.booleans(),
)


def resources(made: Event, kind: str) -> list[Event]:
    return [entry["resource"] for entry in made["entry"] if entry["resource"]["resourceType"] == kind]


# ---------------------------------------- the official definition
def faults(resource: Event, definition: Event) -> list[str]:
    """What breaks the StructureDefinition: unknown elements, cardinalities, primitive types, required
    codes.
    """
    elements = {held["path"]: held for held in definition["snapshot"]["element"]}
    found: list[str] = []

    def check(held: Event, path: str) -> None:
        children = {name.removeprefix(f"{path}."): e for name, e in elements.items() if name.startswith(f"{path}.")}
        for key in held:
            if key not in children and not (path == "VisionPrescription" and key == "resourceType"):
                found.append(f"{path}.{key}: unknown")
        for key, element in children.items():
            if "." in key:
                continue
            values = held.get(key, [])
            values = values if isinstance(values, list) else [values]
            if len(values) < element["min"]:
                found.append(f"{path}.{key}: at least {element['min']}")
            single = element["max"] != "*"
            if single and (len(values) > int(element["max"]) or isinstance(held.get(key), list)):
                found.append(f"{path}.{key}: at most {element['max']}")
            if not single and key in held and not isinstance(held[key], list):
                found.append(f"{path}.{key}: is a list")
            kinds = [kind["code"] for kind in element.get("type", [])]
            for value in values:
                if kinds == ["decimal"] and not (isinstance(value, (int, Decimal)) and not isinstance(value, bool)):
                    found.append(f"{path}.{key}: decimal")
                if kinds == ["integer"] and (not isinstance(value, int) or isinstance(value, bool)):
                    found.append(f"{path}.{key}: integer")
                if kinds == ["dateTime"] and not re.fullmatch(
                    r"\d{4}(-\d\d(-\d\d(T\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d))?)?)?", str(value)
                ):
                    found.append(f"{path}.{key}: dateTime")
                if kinds == ["code"] and not (isinstance(value, str) and value in CODES.get(f"{path}.{key}", value)):
                    found.append(f"{path}.{key}: code {value}")
                if kinds == ["BackboneElement"]:
                    check(value, f"{path}.{key}")

    check(resource, "VisionPrescription")
    return found


# The required value sets (hl7.org/fhir/R4): fm-status, vision-eye-codes, vision-base-codes.
CODES = {
    "VisionPrescription.status": ("active", "cancelled", "draft", "entered-in-error"),
    "VisionPrescription.lensSpecification.eye": ("right", "left"),
    "VisionPrescription.lensSpecification.prism.base": ("up", "down", "in", "out"),
}


@pytest.fixture(scope="module")
def definition() -> Event:
    return json.loads(official("r4-StructureDefinition-VisionPrescription.json").read_text("utf-8"))


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_checker_passes_the_official_examples(name: str, definition: Event) -> None:
    assert faults(read(official(name)), definition) == []


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        (lambda r: r.pop("prescriber"), "prescriber: at least 1"),
        (lambda r: r["lensSpecification"].clear(), "lensSpecification: at least 1"),
        (lambda r: r["lensSpecification"][1].update(axis=Decimal("90.5")), "axis: integer"),
        (lambda r: r["lensSpecification"][0].update(eye="both"), "eye: code both"),
        (lambda r: r["lensSpecification"][0].update(pd=62), "pd: unknown"),
        (lambda r: r.update(created="yesterday"), "created: dateTime"),
        (lambda r: r["lensSpecification"][0].update(sphere="-2.00"), "sphere: decimal"),
    ],
)
def test_the_checker_finds_faults(change: Any, fault: str, definition: Event) -> None:
    resource = read(official(EXAMPLES[0]))
    change(resource)
    assert any(fault in found for found in faults(resource, definition))


@given(summary=summaries)
def test_every_prescription_fits_the_official_definition(summary: Summary, definition: Event) -> None:
    made = json.loads(to_json(bundle(summary)), parse_float=Decimal)
    (prescription,) = resources(made, "VisionPrescription")
    assert faults(prescription, definition) == []
    for lens in prescription["lensSpecification"]:  # rules beyond FHIR: Nictiz zib Refraction
        assert ("cylinder" in lens) == ("axis" in lens)
        assert -25 <= lens["sphere"] <= 25
        assert -10 <= lens.get("cylinder", -1) < 0
        assert 1 <= lens.get("axis", 1) <= 180
        assert 0 <= lens.get("add", 0) <= 5


@pytest.mark.parametrize("version", ["r4", "r5"])
def test_every_bundle_passes_the_reference_library(version: str, exam: Path) -> None:
    library = pytest.importorskip("fhir.resources", reason="fhir.resources is not installed")
    assert library
    if version == "r4":
        from fhir.resources.R4B.bundle import Bundle  # R4B's VisionPrescription is R4's
    else:
        from fhir.resources.bundle import Bundle
    drafts = [read_summary(exam)]
    drafts.append(summary_of(log_with(EyeResult(-600, -125, 5, None, "20/25-2"), NOT_MEASURED, None, signed=True)))
    for summary in drafts:
        for transaction in (False, True):
            text = to_json(bundle(summary, version, transaction))
            parsed = Bundle.model_validate_json(text)
            assert len(parsed.entry) == len(json.loads(text)["entry"])


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_reference_library_passes_the_official_examples_too(name: str) -> None:
    pytest.importorskip("fhir.resources", reason="fhir.resources is not installed")
    if name.startswith("r4"):
        from fhir.resources.R4B.visionprescription import VisionPrescription
    else:
        from fhir.resources.visionprescription import VisionPrescription
    VisionPrescription.model_validate_json(official(name).read_text("utf-8"))
    again = to_json(vision_prescription(read_vision_prescription(read(official(name)))))
    VisionPrescription.model_validate_json(again)


# ---------------------------------------- what it says
@given(summaries)
def test_the_powers_are_the_logs_and_keep_their_two_places(summary: Summary) -> None:
    text = to_json(bundle(summary))
    assert set(re.findall(r'"(?:sphere|cylinder|add)": (\S+?),?\n', text)) <= {
        f"{n / 100:.2f}" for n in range(-2500, 2501, 25)
    }
    made = json.loads(text, parse_float=Decimal)
    (prescription,) = resources(made, "VisionPrescription")
    by_eye = {lens["eye"]: lens for lens in prescription["lensSpecification"]}
    for name, eye in summary.eyes():
        if eye.lens is None:
            assert name not in by_eye
            continue
        lens = by_eye[name]
        assert str(lens["sphere"]) == f"{eye.lens.sphere / 100:.2f}"
        assert lens.get("cylinder", 0) * 100 == eye.lens.cylinder
        if eye.lens.cylinder:
            assert lens["axis"] == eye.lens.axis
        assert ("note" in lens) is not eye.complete


def test_a_draft_is_a_draft_until_it_is_signed(exam: Path) -> None:
    made = bundle(read_summary(exam))
    (prescription,) = resources(made, "VisionPrescription")
    assert prescription["status"] == "draft"
    assert {held["status"] for held in resources(made, "Observation")} == {"preliminary"}
    with ExamFolder.resume(exam, ticking()) as folder:
        folder.append(signed_event(folder.recovered, "A. Practitioner", "L-1234", ticking()))
    made = bundle(read_summary(exam))
    (prescription,) = resources(made, "VisionPrescription")
    assert prescription["status"] == "active"
    assert prescription["prescriber"]["display"] == "A. Practitioner"
    assert prescription["prescriber"]["identifier"]["value"] == "L-1234"
    assert {held["status"] for held in resources(made, "Observation")} == {"final"}


def test_a_signature_completes_no_eye() -> None:
    """Final: "The observation is complete and verified" (FHIR R4, ObservationStatus)."""
    doubted = EyeResult(-150, -50, 90, None, None, "20/400", complete=False)
    summary = summary_of(log_with(doubted, EyeResult(25, 0, None, None, "20/25"), signed=True))
    made = bundle(replace(summary, unconfirmed="not confirmed at read-back"))
    states = {held["code"]["text"]: held["status"] for held in resources(made, "Observation")}
    assert {status for text, status in states.items() if "right eye" in text} == {"preliminary"}
    assert {status for text, status in states.items() if "left eye" in text} == {"final"}
    (prescription,) = resources(made, "VisionPrescription")
    right, left = ([note["text"] for note in lens["note"]] for lens in prescription["lensSpecification"])
    assert right == ["This eye was not completed.", "The prescription was not confirmed at read-back."]
    assert left == right[1:]
    assert "This eye was not completed." in prescription["text"]["div"]


def test_a_near_pd_that_was_reckoned_says_so() -> None:
    for reckoned in (True, False):
        summary = summary_of(log_with(EyeResult(25, 0, None, 200, "20/25"), NOT_MEASURED))
        made = bundle(replace(summary, near_pd=58.5, near_pd_computed=reckoned))
        (near,) = (one for one in resources(made, "Observation") if one["code"]["text"].startswith("Near inter"))
        assert ("method" in near, "not measured" in str(near.get("note"))) == (reckoned, reckoned)


def test_observations_carry_verified_codes_only(exam: Path) -> None:
    """LOINC codes as read and verified: right and left power, cylinder, axis, best corrected acuity."""
    verified = {
        "65890-6": -1.5, "65892-2": -0.5, "65891-4": 90, "65893-0": "20/20",
        "65894-8": 0.25, "65897-1": "20/25",
    }  # fmt: skip
    found = {}
    for held in resources(bundle(read_summary(exam)), "Observation"):
        for coding in held["code"].get("coding", []):
            assert coding["system"] == "http://loinc.org"
            found[coding["code"]] = (
                held["valueString"] if "valueString" in held else float(held["valueQuantity"]["value"])
            )
    assert found == verified, "no cylinder, so no cylinder or axis, on the left"


def test_loinc_codes_have_their_check_digit() -> None:
    """LOINC's check digit is mod 10 (Luhn)."""
    from assistant.record.fhir import _CODES

    for code in (code for pair in _CODES.values() for code in pair):
        digits, check = code.split("-")
        total = 0
        for place, digit in enumerate(reversed(digits)):
            doubled = int(digit) * (2 if place % 2 == 0 else 1)
            total += doubled // 10 + doubled % 10
        assert (10 - total % 10) % 10 == int(check)


def test_acuity_is_also_given_as_logmar(exam: Path) -> None:
    acuities = {
        held["valueString"]: held["component"][0]["valueQuantity"]["value"]
        for held in resources(bundle(read_summary(exam)), "Observation")
        if "valueString" in held
    }
    for line, logmar in acuities.items():
        assert abs(float(logmar) - Acuity.parse(line).logmar) <= 0.005
    assert acuities["20/20"] == Decimal("0.00")
    assert str(acuities["20/20"]) == "0.00"


def test_the_same_log_gives_the_same_bundle(exam: Path) -> None:
    assert to_json(bundle(read_summary(exam))) == to_json(bundle(read_summary(exam)))


def test_hostile_words_stay_words(exam: Path) -> None:
    log = log_with(EyeResult(-100, 0, None, None, None), NOT_MEASURED)
    events = list(log.events)
    events[0] = {**events[0], "header": {"start": {"patient": '<script>"K" & co</script>'}}}
    made = json.loads(to_json(bundle(summary_of(Log(tuple(events))))))
    (prescription,) = resources(made, "VisionPrescription")
    assert prescription["patient"]["identifier"]["value"] == '<script>"K" & co</script>'
    assert "<script" not in prescription["text"]["div"]


def test_what_cannot_be_sent_is_refused() -> None:
    with pytest.raises(UserError, match="neither eye was measured"):
        bundle(summary_of(log_with(NOT_MEASURED, NOT_MEASURED)))
    with pytest.raises(UserError, match=r"right eye: cylinder -12\.00 is outside"):
        bundle(summary_of(log_with(EyeResult(0, -1200, 90, None, None), NOT_MEASURED)))
    with pytest.raises(UserError, match="--fhir-version"):
        bundle(summary_of(log_with(EyeResult(0, 0, None, None, None), NOT_MEASURED)), "r3")


decimals = st.decimals(allow_nan=False, allow_infinity=False, places=2)


@given(st.recursive(
    st.none() | st.booleans() | st.integers() | st.text() | decimals,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
))  # fmt: skip
def test_json_with_decimals_reads_back_the_same(value: Any) -> None:
    def as_written(held: Any) -> Any:
        if isinstance(held, Decimal):
            return ("decimal", f"{held:f}")
        if isinstance(held, dict):
            return {key: as_written(inner) for key, inner in held.items()}
        return [as_written(inner) for inner in held] if isinstance(held, list) else held

    again = json.loads(to_json(value), parse_float=lambda text: ("decimal", text))
    assert again == as_written(value)


# ---------------------------------------- reading
CLINICAL = ("status", "created", "dateWritten", "patient", "prescriber", "lensSpecification", "identifier")


@pytest.mark.parametrize("name", EXAMPLES)
def test_official_examples_import_and_export_again_equal_in_every_clinical_field(name: str) -> None:
    resource = read(official(name))
    again = json.loads(to_json(vision_prescription(read_vision_prescription(resource))), parse_float=Decimal)
    for key in CLINICAL:
        was = resource.get(key)
        if key == "identifier":
            was = [{"value": held["value"]} for held in was]
        assert again.get(key) == was
    # and to the last decimal place as written
    places = re.compile(r'"(?:sphere|cylinder|add|amount|power|backCurve|diameter)": ?([-\d.]+)')
    assert places.findall(to_json(again)) == places.findall(official(name).read_text())


@pytest.mark.parametrize("version", ["r4", "r5"])
def test_an_official_example_is_a_starting_point(version: str) -> None:
    start, notes = read_start(official(f"{version}-VisionPrescription-33123.json"))
    assert start["right"] == {"sphere": -2.0, "cylinder": 0.0, "axis": 180}
    assert start["left"] == {"sphere": -1.0, "cylinder": -0.5, "axis": 180}
    assert start["patient"] == "Patient/example"
    assert any("prism 0.5 base down" in note for note in notes), "a prism must not vanish silently"
    assert any("add +2" in note for note in notes)
    made = start_from_dict(start)
    assert made.left.lens == Lens.of(-1, -0.5, 180)


def test_a_contact_lens_prescription_says_that_it_is_one() -> None:
    start, notes = read_start(official("r4-VisionPrescription-33124.json"))
    assert start["right"] == {"sphere": -2.75, "cylinder": -2.25, "axis": 160}
    assert any("a contact lens" in note for note in notes)


@given(summary=summaries)
def test_our_own_bundle_is_read_again(summary: Summary) -> None:
    made = json.loads(to_json(bundle(summary)), parse_float=Decimal)
    spectacles = read_vision_prescription(made)
    assert [(lens.eye, lens.sphere, lens.cylinder, lens.axis, lens.add, lens.notes) for lens in spectacles.lenses] == [
        (lens.eye, lens.sphere, lens.cylinder, lens.axis, lens.add, lens.notes)
        for lens in spectacles_of(summary).lenses
    ]
    start, _ = start_from_spectacles(spectacles)
    for name, eye in summary.eyes():
        if eye.lens is not None:
            assert Lens.of(**start[name]).vector == pytest.approx(eye.lens.vector)


def lens(**changes: Any) -> Event:
    made = {"product": {"coding": [{"code": "lens"}]}, "eye": "right", "sphere": Decimal("-1.00")}
    return {key: value for key, value in (made | changes).items() if value is not None}


def resource(*lenses: Event, **changes: Any) -> Event:
    made = {"resourceType": "VisionPrescription", "status": "active", "lensSpecification": list(lenses)}
    return {key: value for key, value in (made | changes).items() if value is not None}


@pytest.mark.parametrize(
    ("broken", "what"),
    [
        (resource(lens(), resourceType="Patient"), "resourceType: 'Patient'"),
        (resource(lens(), status=None), "status: None is none of"),
        (resource(lens(), status="entered-in-error"), "must not be used"),
        (resource(lens(), status="cancelled"), "must not be used"),
        (resource(), "lensSpecification: is missing"),
        (resource(lens(), lensSpecification={}), "lensSpecification: is not a list"),
        (resource(lens(), lensSpecification=[3]), r"lensSpecification\[0\]: is not an object"),
        (resource(lens(eye=None)), "eye: None is neither"),
        (resource(lens(eye="both")), "eye: 'both' is neither"),
        (resource(lens(product=None)), "product: is missing"),
        (resource(lens(sphere="-1.00")), "sphere: '-1.00' is not a number"),
        (resource(lens(sphere=True)), "sphere: True is not a number"),
        (resource(lens(sphere=Decimal(-26))), r"sphere: -26 is outside -25 to \+25"),
        (resource(lens(cylinder=Decimal(-1))), "cylinder: is given without an axis"),
        (resource(lens(axis=90)), "axis: is given without a cylinder"),
        (resource(lens(cylinder=Decimal(-1), axis=Decimal("90.5"))), "axis: .* is not a whole number"),
        (resource(lens(cylinder=Decimal(-1), axis=181)), "axis: 181 is outside"),
        (resource(lens(add=Decimal(6))), r"add: 6 is outside \+0 to \+5"),
        (resource(lens(prism=[{"amount": Decimal(1), "base": "sideways"}])), "base: 'sideways'"),
        (resource(lens(prism=[{"base": "up"}])), "amount: is missing"),
        (resource(lens(prism=[1])), "prism: is not an object"),
        (resource(lens(duration={"unit": "month"})), "duration.value: is missing"),
        (resource(lens(duration=3)), "duration: is not an object"),
        (resource(lens(brand=7)), "brand: 7 is not text"),
        (resource(lens(), patient="K"), "patient: is not a reference"),
        ({"resourceType": "Bundle", "entry": []}, "it holds 0"),
        ({"resourceType": "Bundle", "entry": [{"resource": resource(lens())}] * 2}, "it holds 2"),
    ],
)
def test_a_broken_prescription_is_refused_by_name(broken: Event, what: str) -> None:
    with pytest.raises(FhirError, match=what):
        read_vision_prescription(broken)


def test_what_is_taken_over_changed_is_told() -> None:
    given = resource(
        lens(sphere=Decimal("-1.12"), cylinder=Decimal("0.50"), axis=35),
        lens(eye="left", sphere=Decimal("2.00"), cylinder=Decimal("-1.00"), axis=0),
        lens(eye="left"),
        status="draft",
    )
    start, notes = start_from_spectacles(read_vision_prescription(given))
    assert start["right"] == {"sphere": -0.5, "cylinder": -0.5, "axis": 125}  # -1.00 +0.50 x 35 transposed
    assert start["left"] == {"sphere": 2.0, "cylinder": -1.0, "axis": 180}  # axis 0 is 180
    assert any("draft" in note for note in notes)
    assert any("right eye" in note and "rounded" in note for note in notes)
    assert any("right eye" in note and "transposed: -0.50 -0.50 x 125" in note for note in notes)
    assert any("left eye: 2 lenses" in note for note in notes)


def test_an_eye_without_a_lens_starts_from_nothing() -> None:
    start, notes = start_from_spectacles(read_vision_prescription(resource(lens())))
    assert "left" not in start
    assert any(note.startswith("left eye: none") for note in notes)
    start, _ = start_from_spectacles(read_vision_prescription(resource(lens(sphere=None))))
    assert "right" not in start


def test_powers_keep_their_places() -> None:
    assert [str(dioptres(n)) for n in (-150, 0, 25, 2000)] == ["-1.50", "0.00", "0.25", "20.00"]

"""The slip, the table and the comparison: what people and spreadsheets read."""

from __future__ import annotations

import csv
import io
import shutil
import subprocess
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_record_fhir import NOT_MEASURED, eyes, log_with, summaries

from assistant.errors import UserError
from assistant.optics.lens import Lens
from assistant.optics.power_vector import PowerVector
from assistant.protocol.effects import EyeResult
from assistant.record.comparing import change, picture, report, spread
from assistant.record.slip import slip
from assistant.record.summary import EyeSummary, Summary, summary_of
from assistant.record.table import COLUMNS, csv_text

RIGHT = EyeResult(-150, -50, 90, 200, "20/20", "20/100")
LEFT = EyeResult(0, -1025, 5, None, "20/25-2")


# ---------------------------------------------------------------------------------------- the slip
def text_of(pdf: bytes, path: Path) -> str:
    tool = shutil.which("pdftotext")
    if tool is None:
        pytest.skip("pdftotext is not installed (Debian: poppler-utils)")
    path.write_bytes(pdf)
    done = subprocess.run([tool, "-layout", str(path), "-"], capture_output=True, timeout=60, check=True)
    return done.stdout.decode()


def pages_of(pdf: bytes) -> int:
    return pdf.count(b"/Type /Page\n")


@pytest.fixture(autouse=True)
def library(request: pytest.FixtureRequest) -> None:
    if "slip" in request.node.name:
        pytest.importorskip("fpdf", reason="the extra `pdf` is not installed")


def row(text: str, name: str) -> list[str]:
    return next(line for line in text.splitlines() if line.strip().startswith(name)).split()[2:]


def test_the_slip_says_all_an_optician_needs(tmp_path: Path) -> None:
    pdf = slip(summary_of(log_with(RIGHT, LEFT, 62.5, signed=True)))
    text = text_of(pdf, tmp_path / "slip.pdf")
    assert row(text, "Right (OD)") == ["-1.50", "-0.50", "090", "+2.00", "20/20"]
    assert row(text, "Left (OS)") == ["plano", "-10.25", "005", "\N{EM DASH}", "20/25-2"]
    for words in ("K-07", "62.5 mm", "not recorded", "02 Jan 2030", "A. Practitioner", "L-1234", "local law"):
        assert words in text
    assert "DRAFT" not in text
    assert pages_of(pdf) == 1


def test_the_slip_of_a_draft_has_draft_across_it(tmp_path: Path) -> None:
    text = text_of(slip(summary_of(log_with(RIGHT, LEFT))), tmp_path / "slip.pdf")
    assert "DRAFT: not signed" in text
    assert "nobody yet" in text
    amended = replace(summary_of(log_with(RIGHT, LEFT)), amended=True)
    assert "DRAFT: changed after it was signed" in text_of(slip(amended), tmp_path / "amended.pdf")


def test_draft_stands_across_the_slip(tmp_path: Path) -> None:
    """Seen as an optician sees it: the page rendered; the red reaches over half of it both ways."""
    tool = shutil.which("pdftoppm")
    if tool is None:
        pytest.skip("pdftoppm is not installed (Debian: poppler-utils)")

    def reach(signed: bool) -> tuple[float, float]:
        path = tmp_path / f"{signed}.pdf"
        path.write_bytes(slip(summary_of(log_with(RIGHT, LEFT, signed=signed))))
        subprocess.run([tool, "-r", "50", str(path), str(tmp_path / str(signed))], timeout=60, check=True)
        raw = (tmp_path / f"{signed}-1.ppm").read_bytes()
        _, size, _, pixels = raw.split(b"\n", 3)
        width, height = map(int, size.split())
        red = [
            (place // 3 % width, place // 3 // width)
            for place in range(0, 3 * width * height, 3)
            if pixels[place] > pixels[place + 1] + 20
        ]
        if not red:
            return 0, 0
        across, down = zip(*red, strict=True)
        return (max(across) - min(across)) / width, (max(down) - min(down)) / height

    assert min(reach(signed=False)) > 0.5
    assert reach(signed=True) == (0, 0)


def test_the_slip_says_what_was_not_measured_or_completed(tmp_path: Path) -> None:
    unfinished = replace(RIGHT, complete=False)
    text = text_of(slip(summary_of(log_with(unfinished, NOT_MEASURED, None))), tmp_path / "slip.pdf")
    assert "Right eye not completed" in text
    assert "Left eye not measured" in text
    carried = replace(summary_of(log_with(RIGHT, LEFT)), near_pd=59.5, vertex=12)
    carried = replace(carried, right=replace(carried.right, examined=False, intermediate=100))
    other = text_of(slip(carried), tmp_path / "carried.pdf")
    assert "near (reckoned)" not in other
    assert "near (reckoned)" in text_of(slip(replace(carried, near_pd_computed=True)), tmp_path / "reckoned.pdf")
    signed = replace(summary_of(log_with(unfinished, LEFT, signed=True)), unconfirmed="not confirmed at read-back")
    told = text_of(slip(signed), tmp_path / "signed.pdf")
    for words in ("Signed; not complete", "Right eye not completed", "Not confirmed at read-back"):
        assert words in told
    for words in ("Right eye carried over, not found in this exam; intermediate add +1.00", "59.5 mm", "12 mm"):
        assert words in other
    assert text.count("not measured") == 3  # the left eye twice, and the pupillary distance
    with pytest.raises(UserError, match="neither eye was measured"):
        slip(summary_of(log_with(NOT_MEASURED, NOT_MEASURED)))


def test_words_too_long_for_the_slip_are_refused_not_cut() -> None:
    with pytest.raises(UserError, match="is too long for the slip"):
        slip(replace(summary_of(log_with(RIGHT, LEFT)), patient="K" * 90))


@settings(max_examples=25)
@given(summaries)
def test_every_slip_is_one_page(summary: Summary) -> None:
    assert pages_of(slip(summary)) == 1


def test_a_name_the_slips_font_lacks_is_not_printed_with_holes(tmp_path: Path) -> None:
    signed = summary_of(log_with(RIGHT, LEFT, signed=True))
    assert signed.signed is not None
    named = replace(signed, signed={**signed.signed, "by": "Ł. Ż\N{LATIN SMALL LETTER O WITH ACUTE}ł"})
    with pytest.raises(UserError, match=r"'Ł' .* is not in the font: .* --font"):
        slip(named)
    (tmp_path / "no.ttf").write_bytes(b"no font")
    with pytest.raises(UserError, match="not a TrueType font"):
        slip(named, tmp_path / "no.ttf")
    font = Path("/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf")
    if not font.is_file():
        pytest.skip("no TrueType font to try (Debian: fonts-dejavu-core)")
    assert "Ł. Żół" in text_of(slip(named, font), tmp_path / "named.pdf")
    with pytest.raises(UserError, match="is not in the font"):
        slip(replace(named, patient="\N{CJK UNIFIED IDEOGRAPH-4E00}"), font)


# ---------------------------------------------------------------------------------------- the table
def test_the_table_says_what_was_reckoned_or_not_confirmed() -> None:
    summary = replace(summary_of(log_with(RIGHT, LEFT)), near_pd=59.5)
    for reckoned, said in ((True, "yes"), (False, "no")):
        (first, _) = csv.DictReader(io.StringIO(csv_text([("a", replace(summary, near_pd_computed=reckoned))])))
        assert (first["near_pd"], first["near_pd_computed"]) == ("59.5", said)
    doubted = replace(summary, right=replace(summary.right, complete=False), unconfirmed="not confirmed at read-back")
    (right, left) = csv.DictReader(io.StringIO(csv_text([("a", doubted)])))
    assert right["remark"] == "not completed; not confirmed at read-back"
    assert left["remark"] == "not confirmed at read-back"


@settings(max_examples=60)
@given(summaries)
def test_the_table_gives_back_every_value(summary: Summary) -> None:
    rows = list(csv.DictReader(io.StringIO(csv_text([("exam-1", summary)]))))
    assert [held["eye"] for held in rows] == ["right", "left"]
    for held, (_, eye) in zip(rows, summary.eyes(), strict=True):
        assert tuple(held) == COLUMNS
        assert held["status"] == summary.status
        if eye.lens is None:
            assert held["sphere"] == held["m"] == ""
            assert held["remark"] == "not measured"
            continue
        axis = int(held["axis"]) if held["axis"] else 180
        assert Lens.of(float(held["sphere"]), float(held["cylinder"]), axis).vector == pytest.approx(eye.lens.vector)
        vector = PowerVector(*(float(held[part]) for part in ("m", "j0", "j45")))
        assert vector == pytest.approx(eye.lens.vector, abs=5e-5)
        assert held["add"] == ("" if eye.add is None else f"{eye.add / 100:.2f}")
        assert held["acuity"] == (eye.acuity or "")
        assert "-0.0000" not in held.values()


@pytest.mark.parametrize("code", ["=1+1", "+1", "-1", "@x", "\tx"])
def test_no_cell_of_words_is_run_by_a_spreadsheet(code: str) -> None:
    summary = replace(summary_of(log_with(RIGHT, LEFT)), patient=code)
    (first, _) = csv.DictReader(io.StringIO(csv_text([(code, summary)])))
    assert first["patient"] == first["exam"] == f"'{code}"
    assert first["sphere"] == "-1.50", "a number stays a number"


# ---------------------------------------------------------------------------------------- comparing
def eye(sphere: float, cylinder: float = 0, axis: int = 180, acuity: str | None = None) -> EyeSummary:
    return EyeSummary(Lens.of(sphere, cylinder, axis), acuity=acuity)


def test_a_change_is_the_lens_between() -> None:
    """-2.00 -2.00 x 180 less -3.00 -1.00 x 180 is +1.00 -1.00 x 180 (D. Gatinel, adding astigmatisms, read
    backward).
    """
    made = change(eye(-3, -1, 180), eye(-2, -2, 180))
    assert made is not None
    assert made.vector == pytest.approx(PowerVector.of(1, -1, 180))
    assert made.turn == 0


@pytest.mark.parametrize(
    ("before", "after", "turn"),
    [(170, 10, 20), (10, 170, -20), (90, 91, 1), (1, 180, -1), (180, 90, 90), (45, 135, 90)],
)
def test_an_axis_turns_the_short_way(before: int, after: int, turn: int) -> None:
    made = change(eye(0, -1, before), eye(0, -1, after))
    assert made is not None
    assert made.turn == turn


@given(eyes(), eyes())
def test_a_change_and_the_change_back_cancel(first: EyeResult, second: EyeResult) -> None:
    before, after = summary_of(log_with(first, second)).right, summary_of(log_with(second, first)).right
    there, back = change(before, after), change(after, before)
    assert there is not None
    assert back is not None
    assert there.vector == pytest.approx(PowerVector(0, 0, 0).minus(back.vector))
    assert there.notable == back.notable
    assert ("the same lens" in there.words()) == (before.lens == after.lens)


@pytest.mark.parametrize(
    ("before", "after", "notable"),
    [
        (eye(-1), eye(-1.75), True),
        (eye(-1), eye(-1.5), False),
        (eye(-1, -0.75, 90), eye(-1, -0.75, 106), True),
        (eye(-1, -0.75, 90), eye(-1, -0.75, 105), False),
        (eye(-1, -0.5, 90), eye(-1, -0.5, 130), False),
        (eye(-1, -0.25, 90), eye(-1, -1.0, 90), True),
    ],
)
def test_a_change_that_takes_getting_used_to_is_said(before: EyeSummary, after: EyeSummary, notable: bool) -> None:
    made = change(before, after)
    assert made is not None
    assert made.notable is notable
    assert ("getting used to" in made.words()) is notable


def test_words_of_changes() -> None:
    made = change(eye(-1, 0, 180, "20/40"), eye(-1, 0, 180, "20/20"))
    assert made is not None
    assert made.words() == "the same lens, acuity 3.0 lines better"
    assert change(eye(0), EyeSummary(None)) is None
    made = change(eye(-0.5), eye(-0.5, -0.25, 10))
    assert made is not None
    assert made.words().startswith("spherical equivalent 0.13 D toward minus, 0.25 D more cylinder, vector difference")


@given(st.lists(st.builds(PowerVector, *[st.floats(-10, 10)] * 3), min_size=2, max_size=8))
def test_the_spread_is_the_standard_deviation(vectors: list[PowerVector]) -> None:
    import statistics

    expected = [statistics.stdev(part) for part in zip(*vectors, strict=True)]
    assert list(spread(vectors)) == pytest.approx(expected, abs=1e-9)


def later(summary: Summary, days: int) -> Summary:
    return replace(summary, begun=summary.begun + timedelta(days=days))


def test_three_exams_are_held_against_published_repeatability() -> None:
    named = [
        (f"exam-{n}", later(summary_of(log_with(EyeResult(-100 - 25 * n, 0, None, None, None), NOT_MEASURED)), n))
        for n in range(3)
    ]
    text = "\n".join(report(named))
    assert "Spread over 3 exams (standard deviation): M 0.25, J0 0.00, J45 0.00 D" in text
    assert "40 optometrists on one patient: 0.28, 0.08, 0.09 D (MacKenzie 2008)" in text
    assert "1 to 3: spherical equivalent 0.50 D toward minus" in text
    assert "not measured" in text


def test_exams_of_different_patients_are_told_first() -> None:
    summary = summary_of(log_with(RIGHT, LEFT))
    text = report([("a", summary), ("b", replace(summary, patient="K-08"))])
    assert text[0] == "CAUTION: these exams are of different patients (K-07, K-08)."


@settings(max_examples=30)
@given(st.lists(summaries, min_size=2, max_size=4))
def test_every_picture_is_sound_and_draws_every_exam(given_summaries: list[Summary]) -> None:
    named = [(f"exam {n}", later(summary, n)) for n, summary in enumerate(given_summaries)]
    root = ElementTree.fromstring(picture(named))
    titles = [held.text for held in root.iter("{http://www.w3.org/2000/svg}title")]
    measured = sum(eye.lens is not None for _, summary in named for _, eye in summary.eyes())
    assert len(titles) == 1 + measured
    width, height = float(root.attrib["width"]), float(root.attrib["height"])
    for dot in root.iter("{http://www.w3.org/2000/svg}circle"):
        assert 0 <= float(dot.attrib["cx"]) <= width
        assert 0 <= float(dot.attrib["cy"]) <= height


def test_hostile_words_stay_words_in_the_picture() -> None:
    summary = replace(summary_of(log_with(RIGHT, LEFT)), patient="<script>")
    made = picture([("</desc><script>", summary), ("b", replace(summary, patient="b"))])
    assert "<script" not in made

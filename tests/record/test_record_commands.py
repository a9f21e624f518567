"""The record's commands as a user runs them: what they print, their exit codes, one plain line for every
fault.
"""

from __future__ import annotations

import argparse
import csv
import io
import json
import re
import shutil
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest
from small_exam import HEADER, record_small_exam, ticking
from test_record_fhir import NOT_MEASURED, log_with

from assistant.commands import amend, compare, export, forget, sign, verify
from assistant.errors import UserError
from assistant.protocol.effects import EyeResult, Prescribe
from assistant.record.events import Event, event
from assistant.record.folder import ExamFolder, build, log_of
from assistant.record.log import Log, dump
from assistant.record.report import EMBED_MOST, build_report
from assistant.record.verifying import verify_folder

Run = Callable[..., int]


@pytest.fixture
def run() -> Run:
    """Parses a command line as the program does, and runs it."""
    parser = argparse.ArgumentParser(prog="handsfree-refraction")
    subparsers = parser.add_subparsers(required=True)
    for module in (amend, compare, export, forget, sign, verify):
        module.add_parser(subparsers)

    def run_one(*words: object) -> int:
        args = parser.parse_args([str(word) for word in words])
        done: int = args.run(args)
        return done

    return run_one


def folder_of(log: Log, path: Path) -> Path:
    """An exam folder that holds this log."""
    (path / "audio").mkdir(parents=True)
    lines = [dump(held) for held in log.events]
    (path / "exam.jsonl").write_text("\n".join(lines) + "\n")
    build(path)
    return path


def usage_error(run: Run, *words: object) -> None:
    with pytest.raises(SystemExit) as stopped:
        run(*words)
    assert stopped.value.code == 2


# ---------------------------------------------------------------------------------------- verify
def test_verify_says_that_an_untouched_record_holds(run: Run, exam: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("verify", exam) == 0
    out = capsys.readouterr().out
    assert "10 events" in out
    assert "recordings: 3" in out
    assert out.endswith("The record holds.\n")


def test_verify_names_the_changed_line(run: Run, exam: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = exam / "exam.jsonl"
    path.write_bytes(path.read_bytes().replace(b'"second"', b'"first"'))
    with pytest.raises(UserError, match=r"line 5 \(event 4\): was changed") as error:
        run("verify", exam)
    assert "\n" not in str(error.value)
    assert "PROBLEM    exam.jsonl line 5 (event 4): was changed" in capsys.readouterr().out


def test_verify_rebuilds_what_is_built_from_the_log(run: Run, exam: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (exam / "prescription.json").unlink()
    (exam / "transcript.txt").write_text("changed")
    (exam / "report.html").write_text("changed")
    with pytest.raises(UserError, match="and 2 more"):
        run("verify", exam)
    assert run("verify", exam, "--rebuild") == 0
    assert "built      prescription.json" in capsys.readouterr().out
    assert "K-07" in (exam / "report.html").read_text()


def test_verify_looks_at_the_report_and_says_what_it_does_not_look_at(
    run: Run, exam: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (exam / "conversation.wav").write_bytes(b"RIFF")
    (exam / "audio" / "sub").mkdir()
    (exam / "audio" / "sub" / "other.wav").write_bytes(b"RIFF")
    for embed_most in (EMBED_MOST, -1):  # with the recordings inside the page, or beside it
        page, _ = build_report(exam, embed_most)
        assert run("verify", exam) == 0
        out = capsys.readouterr().out
        assert "report.html: as it is built from the log and the recordings" in out
        assert "conversation.wav: not checked, for the log holds no hash of it" in out
        assert "audio/sub/other.wav: no event names it" in out
        page.write_text(page.read_text().replace("-1.50", "-2.50", 1))
        with pytest.raises(UserError, match=r"report\.html: not as this version builds it"):
            run("verify", exam)
    assert run("sign", exam, "--by", "A", "--licence", "L") == 0, "what is built anew is not asked after"


def test_verify_does_not_rebuild_from_a_changed_log(run: Run, exam: Path) -> None:
    (exam / "prescription.json").unlink()
    path = exam / "exam.jsonl"
    path.write_bytes(path.read_bytes().replace(b'"second"', b'"first"'))
    with pytest.raises(UserError):
        run("verify", exam, "--rebuild")
    assert not (exam / "prescription.json").exists()


def test_every_command_tells_a_missing_exam_plainly(run: Run, tmp_path: Path) -> None:
    for words in (
        ("verify", tmp_path),
        ("sign", tmp_path, "--by", "A", "--licence", "L"),
        ("forget", tmp_path, "--audio"),
        ("amend", tmp_path, "--event", 3, "--meaning", "first"),
        ("compare", tmp_path, tmp_path),
        ("export", tmp_path, "--to", "fhir"),
        ("verify", tmp_path / "none"),
        ("export", tmp_path / "none", "--to", "csv"),
    ):
        with pytest.raises(UserError, match=r"holds no exam \(exam.jsonl is missing\)"):
            run(*words)


# ---------------------------------------------------------------------------------------- sign
def test_sign_makes_the_draft_active(run: Run, exam: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("sign", exam, "--by", "A. Practitioner", "--licence", "L-1234") == 0
    out = capsys.readouterr().out
    assert "right  -1.50 -0.50 x 090, add +2.00, 20/20" in out
    assert "Signed by A. Practitioner, licence L-1234." in out
    assert "Caution: right eye: Seven answers in a row were two (event 7)" in out
    built = json.loads((exam / "prescription.json").read_text())
    assert (built["status"], built["signed"]["licence"]) == ("active", "L-1234")
    assert "=== prescription signed by A. Practitioner, licence L-1234" in (exam / "transcript.txt").read_text()
    assert "not complete" not in (exam / "transcript.txt").read_text()
    assert run("verify", exam) == 0
    with pytest.raises(UserError, match="signed already"):
        run("sign", exam, "--by", "B", "--licence", "L")


def test_the_folder_is_not_stale_after_signing_and_amending(run: Run, exam: Path) -> None:
    run("sign", exam, "--by", "A. Practitioner", "--licence", "L-1234")
    signed = (exam / "report.html").read_text()
    assert 'class="status signed"' in signed
    assert "A. Practitioner" in signed
    assert "A. Practitioner" in (exam / "transcript.txt").read_text()
    run("amend", exam, "--right", "-1.75 -0.50 x 090 20/20", "--reason", "trial frame")
    amended = (exam / "report.html").read_text()
    assert 'class="status draft"' in amended
    assert "-1.75" in amended
    assert "-1.75" in (exam / "transcript.txt").read_text()


def test_sign_refuses_a_record_that_does_not_hold(run: Run, exam: Path) -> None:
    next((exam / "audio").iterdir()).unlink()
    before = (exam / "exam.jsonl").read_bytes()
    with pytest.raises(UserError, match="not signed, for the record does not hold: line 5"):
        run("sign", exam, "--by", "A", "--licence", "L")
    assert (exam / "exam.jsonl").read_bytes() == before


def test_sign_refuses_an_exam_that_measured_nothing(run: Run, tmp_path: Path) -> None:
    folder = folder_of(log_with(NOT_MEASURED, NOT_MEASURED), tmp_path / "exam")
    with pytest.raises(UserError, match="neither eye was measured"):
        run("sign", folder, "--by", "A", "--licence", "L")


def unfinished(path: Path) -> Path:
    """A small exam whose right eye failed its checks, not confirmed at read-back."""
    log = log_with(
        EyeResult(-150, -50, 90, None, None, "20/400", complete=False), EyeResult(25, 0, None, None, "20/25")
    )
    folder = folder_of(log, path)
    with ExamFolder.resume(folder, ticking()) as held:
        held.append(
            {"kind": "flag", "code": "incomplete", "eye": "right", "says": "Right eye: left open.", "facts": {}}
        )
        draft = {key: part for key, part in log.events[-1].items() if key not in ("seq", "at", "prev", "hash")}
        held.append({**draft, "confirmed": False})
    build(folder)
    return folder


def test_what_a_draft_lacks_is_shown_before_it_is_signed_and_stays_in_the_signature(
    run: Run, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = unfinished(tmp_path / "exam")
    shown: list[str] = []
    append = ExamFolder.append

    def watched(self: ExamFolder, made: Event) -> Event:
        shown.append(capsys.readouterr().out)
        return append(self, made)

    monkeypatch.setattr(ExamFolder, "append", watched)
    assert run("sign", folder, "--by", "A", "--licence", "L") == 0
    (before,) = shown
    for said in (
        "right  -1.50 -0.50 x 090, not completed",
        "NOT COMPLETE: right eye not completed",
        "NOT COMPLETE: not confirmed at read-back",
        "Caution: Right eye: left open. (event",
    ):
        assert said in before
    assert "Signed by" not in before
    lacking = ["right eye not completed", "not confirmed at read-back"]
    assert json.loads((folder / "prescription.json").read_text())["signed"]["open"] == lacking
    assert f"not complete: {', '.join(lacking)}" in (folder / "transcript.txt").read_text()
    page = (folder / "report.html").read_text()
    assert f"Not complete: {', '.join(lacking)}." in page
    assert '<span class="lacks">not completed</span>' in page.split('class="rx"')[1].split("</table>")[0]
    assert verify_folder(folder).problems == []


def test_sign_needs_name_and_licence(run: Run, exam: Path) -> None:
    usage_error(run, "sign", exam, "--by", "A")
    usage_error(run, "sign", exam, "--licence", "L")
    with pytest.raises(UserError, match="--licence: give"):
        run("sign", exam, "--by", "A", "--licence", " ")


# ---------------------------------------------------------------------------------------- forget
def test_forget_drops_the_sound_and_keeps_the_log_verifiable(
    run: Run, exam: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run("sign", exam, "--by", "A", "--licence", "L")
    (exam / "conversation.wav").write_bytes(b"RIFF")
    (exam / "report.html").write_text("<audio>data:audio/flac")
    for half_written in (exam / ".report.html.x1y2", exam / "audio" / ".0006.flac.x1y2"):
        half_written.write_bytes(b"fLaC")
    words = [held["text"] for held in log_of(exam).of_kind("heard")]
    assert run("forget", exam, "--audio") == 0
    out = capsys.readouterr().out
    assert "Deleted 5 recordings." in out
    assert "audio/flac" not in (exam / "report.html").read_text()
    assert list((exam / "audio").iterdir()) == []
    assert sorted(held.name for held in exam.iterdir()) == [
        "audio", "exam.jsonl", "prescription.json", "report.html", "transcript.txt",
    ]  # fmt: skip
    assert [held["text"] for held in log_of(exam).of_kind("heard")] == words
    assert verify_folder(exam).problems == []
    assert json.loads((exam / "prescription.json").read_text())["status"] == "active", "it stays signed"
    assert run("forget", exam, "--audio") == 0
    assert sum(flag["code"] == "recordings_dropped" for flag in log_of(exam).of_kind("flag")) == 1
    usage_error(run, "forget", exam)


# ---------------------------------------------------------------------------------------- amend
def test_amend_keeps_both_and_leaves_the_prescription(run: Run, exam: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = log_of(exam)
    assert run("amend", exam, "--event", 4, "--meaning", "first", "--reason", "misheard", "--by", "Technician 2") == 0
    assert "Event 4, 'um, two I think': was second, now first. The log keeps both." in capsys.readouterr().out
    log = log_of(exam)
    assert log.events[:-1] == before.events
    made = log.events[-1]
    assert (made["kind"], made["amends"], made["meaning"]) == ("heard", 4, "first")
    assert (made["reason"], made["amended_by"], made["accepted"]) == ("misheard", "Technician 2", True)
    built = json.loads((exam / "prescription.json").read_text())
    assert built["right"]["sphere"] == -1.5
    assert verify_folder(exam).problems == []
    assert "= first (hesitant), correcting event 4" in (exam / "transcript.txt").read_text()


def test_an_amended_prescription_is_a_draft_until_signed_again(
    run: Run, exam: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run("sign", exam, "--by", "A", "--licence", "L")
    assert run("amend", exam, "--event", 4, "--meaning", "same") == 0
    assert "a draft again until it is signed anew" in capsys.readouterr().out
    assert json.loads((exam / "prescription.json").read_text())["status"] == "draft"
    assert any("changed after it was signed" in note for note in verify_folder(exam).notes)
    assert run("sign", exam, "--by", "A", "--licence", "L") == 0
    assert json.loads((exam / "prescription.json").read_text())["status"] == "active"
    assert sum("signed" in held for held in log_of(exam).of_kind("prescription")) == 2, "the log keeps both"


def test_amend_by_hand_changes_the_draft_and_keeps_the_one_before(
    run: Run, exam: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("amend", exam, "--right=-1.25 -0.50 x 085", "--pd", 63, "--reason", "retest") == 0
    out = capsys.readouterr().out
    assert "right  -1.25 -0.50 x 085, add +2.00  (was -1.50 -0.50 x 090, add +2.00, 20/20)" in out
    assert "PD     63 mm  (was 62.0)" in out
    right = json.loads((exam / "prescription.json").read_text())["right"]
    assert (right["sphere"], right["axis"], right["add"]) == (-1.25, 85, 2.0)
    assert right["acuity"] is None, "it was read through another lens"
    assert right["entering_acuity"] == "20/100"
    held = list(log_of(exam).of_kind("prescription"))
    assert [event["right"]["sphere"] for event in held] == [-1.5, -1.25]
    assert held[-1]["by_hand"]["changed"] == ["right", "pd"]
    assert verify_folder(exam).problems == []


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("-1.50 -0.50 x 090 20/15", (-1.5, -0.5, 90, 2.0, "20/15")),
        ("-1.50 -0.50 x 90", (-1.5, -0.5, 90, 2.0, "20/20")),  # the same lens: its acuity stays
        ("plano", (0.0, 0.0, None, 2.0, None)),
        ("-2.00 +0.50 x 180", (-1.5, -0.5, 90, 2.0, "20/20")),  # plus cylinder, transposed
        ("+1.50 -0.50 x125 add +1.75", (1.5, -0.5, 125, 1.75, None)),
        ("+1.00", (1.0, 0.0, None, 2.0, None)),
    ],
)
def test_amend_reads_a_prescription_as_the_trade_writes_it(
    run: Run, exam: Path, text: str, expected: tuple[object, ...]
) -> None:
    if text == "-1.50 -0.50 x 90" or text.startswith("-2.00"):
        with pytest.raises(UserError, match="nothing was changed"):
            run("amend", exam, f"--right={text}")
        return
    run("amend", exam, f"--right={text}")
    right = json.loads((exam / "prescription.json").read_text())["right"]
    assert tuple(right[key] for key in ("sphere", "cylinder", "axis", "add", "acuity")) == expected


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (("--event", 400, "--meaning", "first"), "the log has events 0 to 9"),
        (("--event", -1, "--meaning", "first"), "the log has events 0 to 9"),
        (("--event", 1, "--meaning", "first"), "event 1 is a lens, not something heard"),
        (("--event", 4, "--meaning", "third"), "--meaning: 'third' is none of first, second"),
        (("--event", 5, "--meaning", "set_sphere"), "--value: set_sphere takes a value from -20 to +20"),
        (("--event", 5, "--meaning", "set_sphere", "--value", "x"), "'x' is not a number"),
        (("--event", 5, "--meaning", "set_sphere", "--value=-1.3"), "not a quarter step"),
        (("--event", 5, "--meaning", "set_axis", "--value", "200"), "200 is outside"),
        (("--event", 5, "--meaning", "set_axis", "--value", "nan"), "nan is outside"),
        (("--event", 5, "--meaning", "set_axis", "--value", "90.5"), "not whole"),
        (("--event", 5, "--meaning", "set_acuity", "--value", "good"), '"good" is none'),
        (("--event", 5, "--meaning", "first", "--value", "2"), "first takes none"),
        (("--right", "minus one"), '--right: write it like "-1.25 -0.50 x 090'),
        (("--right=1.25",), "--right: write it like"),  # a power is always signed
        (("--right=-1.30",), "quarter"),
        (("--right=-1.25 -0.50 x 0",), "--right: axis: 0 is outside"),
        (("--right=-25.00",), "--right: sphere -25.00 is outside"),
        (("--left=-1.25 -9.00 x 90",), "--left: cylinder -9.00 is outside"),
        (("--right=-1.25 20/1",), "--right: acuity"),
        (("--pd", 20), "--pd: 20 is outside 40 to 80"),
    ],
)
def test_amend_refuses_what_cannot_be(run: Run, exam: Path, words: tuple[object, ...], what: str) -> None:
    before = (exam / "exam.jsonl").read_bytes()
    with pytest.raises(UserError, match=re.escape(what)):
        run("amend", exam, *words)
    assert (exam / "exam.jsonl").read_bytes() == before


def drafted(path: Path, cautions: tuple[str, ...], start: Event) -> Path:
    """A confirmed draft with its cautions, found over the glasses of `start`."""
    flags = (
        ("incomplete", "right", "Right eye: its answers leave the lens open."),
        ("anisometropia", "both", "The eyes differ by 2.38 D."),
        ("position_bias", "left", "Left eye: two was answered ten times."),
        ("red_flag", "both", "The patient tells of flashes."),
    )
    draft = Prescribe(
        EyeResult(-150, -50, 90, 150, "20/20", complete=False, pinhole_acuity="20/20"),
        EyeResult(63, 0, None, 150, "20/25"),
        62.0,
        True,
        near_pd=58.5,
        near_pd_computed=True,
        acuity_both="20/15",
        near_acuity="20/30",
        working_distance=40,
        cautions=cautions,
    )
    with ExamFolder.create(path, ticking(), {"start": start}) as folder:
        for code, eye, says in flags:
            folder.append({"kind": "flag", "code": code, "eye": eye, "says": says, "facts": {}})
        folder.append(event(draft))
        folder.build()
    return path


CAUTIONS = ("incomplete:right", "anisometropia", "position_bias:left", "red_flag")


def test_what_was_found_with_a_lens_does_not_stand_for_another(
    run: Run, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    worn = {"source": "glasses", "right": {"sphere": -1.5, "cylinder": -1.0, "axis": 90}}
    folder = drafted(tmp_path / "exam", CAUTIONS, worn)
    assert run("amend", folder, "--right=-7.50 -1.00 x 060", "--by", "N. Examiner") == 0
    # 8.00 + 0.63 D between the spherical equivalents; 6 D and 30 degrees from the glasses (cut-offs: design, plan.py).
    out = capsys.readouterr().out
    assert "Caution: The eyes differ by 8.63 D" in out
    assert "Caution: Right eye: " in out
    built = json.loads((folder / "prescription.json").read_text())
    assert (built["confirmed"], built["acuity_both"], built["near_acuity"]) == (False, None, None)
    assert (built["right"]["complete"], built["right"].get("pinhole_acuity")) == (True, None)
    assert built["cautions"] == [
        "position_bias:left",
        "red_flag",
        "anisometropia",
        "adaptation:right",
        "axis_swing:right",
    ]
    codes = [(flag["code"], flag["eye"]) for flag in built["flags"]]
    assert codes == [
        ("position_bias", "left"), ("red_flag", "both"),
        ("anisometropia", "both"), ("adaptation", "right"), ("axis_swing", "right"),
    ]  # fmt: skip
    assert not any("2.38" in flag["says"] for flag in built["flags"])
    page = (folder / "report.html").read_text().split('class="cautions"')[1].split("</section>")[0]
    standing, passed = page.split("Raised on the way")
    assert "differ by 8.63 D" in standing
    assert "2.38" not in standing
    assert "Before the change by hand: </em>" in passed
    assert "2.38" in passed
    assert "not since the change by hand" in (folder / "report.html").read_text()
    raised = (folder / "report.html").read_text().split('id="e6"')[1].split("</tr>")[0]
    assert '<td class="time">after</td>' in raised, "not a moment of the exam"
    run("sign", folder, "--by", "A", "--licence", "L")
    out = capsys.readouterr().out
    assert "2.38" not in out
    assert "leave the lens open" not in out
    assert "NOT COMPLETE" not in out, "it was confirmed before, and who changes it by hand answers for it"
    # A further change keeps what was overtaken by the first.
    run("amend", folder, "--left=+0.75")
    built = json.loads((folder / "prescription.json").read_text())
    assert built["cautions"] == ["red_flag", "adaptation:right", "axis_swing:right", "anisometropia"]
    assert [flag["code"] for flag in built["flags"]] == ["red_flag", "adaptation", "axis_swing", "anisometropia"]
    assert verify_folder(folder).problems == []


def test_a_near_pd_that_was_reckoned_follows_the_pd(
    run: Run, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = drafted(tmp_path / "exam", CAUTIONS, {})
    run("amend", folder, "--pd", 78)
    assert "near   73 mm (reckoned)" in capsys.readouterr().out
    built = json.loads((folder / "prescription.json").read_text())
    # 78 x 400 / (400 + 27), by similar triangles to the centres of rotation, 27 mm behind the lens (common practice, no
    # source), to half a millimetre.
    assert built["near_pd"] == 73.0
    assert built["acuity_both"] == "20/15", "the lenses are the same"
    assert built["cautions"] == [*CAUTIONS, "pd_unusual"]


def test_a_draft_not_confirmed_stays_so_through_a_change_by_hand(run: Run, tmp_path: Path) -> None:
    folder = unfinished(tmp_path / "exam")
    run("amend", folder, "--right=-1.75 -0.50 x 090")
    run("sign", folder, "--by", "A", "--licence", "L")
    assert json.loads((folder / "prescription.json").read_text())["signed"]["open"] == ["not confirmed at read-back"]


@pytest.mark.parametrize("add", ["+9.00", "+2.13", "+5.25"])
def test_amend_refuses_an_add_that_is_none(run: Run, exam: Path, add: str) -> None:
    with pytest.raises(UserError, match=r"--right: add: .* is not a quarter step from 0.00 to \+5.00"):
        run("amend", exam, f"--right=-1.50 -0.50 x 090 add {add}")


def test_the_same_correction_twice_is_told(run: Run, exam: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(UserError, match="event 4 stands as second already"):
        run("amend", exam, "--event", 4, "--meaning", "second")
    run("amend", exam, "--event", 4, "--meaning", "first")
    with pytest.raises(UserError, match="event 4 stands as first already"):
        run("amend", exam, "--event", 4, "--meaning", "first")
    capsys.readouterr()
    run("amend", exam, "--event", 4, "--meaning", "same")
    assert "was first, now same" in capsys.readouterr().out
    # What was not accepted is not what it was understood as.
    assert run("amend", exam, "--event", 5, "--meaning", "set_sphere", "--value=-1.50") == 0


def test_the_transcript_says_who_changed_what_and_why(run: Run, tmp_path: Path, exam: Path) -> None:
    run("amend", exam, "--event", 4, "--meaning", "first", "--reason", "misheard", "--by", "N. Examiner")
    assert "correcting event 4 by N. Examiner: misheard" in (exam / "transcript.txt").read_text()
    folder = drafted(tmp_path / "drafted", CAUTIONS, {})
    for fact in ("PD 62 mm", "near PD 58.5 mm (reckoned)", "acuity, both eyes 20/15", "near acuity, both eyes 20/30"):
        assert f"    {fact}\n" in (folder / "transcript.txt").read_text()
    run("amend", folder, "--pd", 63, "--reason", "measured again", "--by", "N. Examiner")
    text = (folder / "transcript.txt").read_text()
    assert "=== draft prescription, changed by hand by N. Examiner: measured again" in text


def test_exports_of_an_earlier_prescription_are_named(run: Run, exam: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("fpdf", reason="the extra `pdf` is not installed")
    pytest.importorskip("pydicom", reason="the extra `dicom` is not installed")
    run("sign", exam, "--by", "A", "--licence", "L")
    for kind in ("fhir", "csv", "pdf", "dicom"):
        run("export", exam, "--to", kind)
    (exam / "consent.pdf").write_bytes(b"%PDF-1.4 scanned")  # nobody's export: never to be deleted, nor written over
    with pytest.raises(UserError, match="belongs to an exam"):
        run("export", exam, "--to", "pdf", "--out", exam / "consent.pdf")
    made = "dicom/acuity.dcm, dicom/prescription.dcm, dicom/refraction.dcm, exam.csv, fhir.json, prescription.pdf"
    capsys.readouterr()
    run("forget", exam, "--audio")  # the prescription is the same
    assert "earlier prescription" not in capsys.readouterr().out
    run("amend", exam, "--right=-1.75 -0.50 x 090")
    assert f"are of an earlier prescription, export them anew or delete them: {made}." in capsys.readouterr().out
    run("export", exam, "--to", "pdf")
    capsys.readouterr()
    assert run("verify", exam) == 0
    told = f"these exports are of an earlier prescription, export them anew or delete them: {made[:-18]}"
    assert f"note       {told}\n" in capsys.readouterr().out
    run("forget", exam, "--audio")
    assert "Still there: these exports are of an earlier prescription" in capsys.readouterr().out


def test_amend_is_told_what_to_do(run: Run, exam: Path) -> None:
    usage_error(run, "amend", exam)
    usage_error(run, "amend", exam, "--event", 4)
    usage_error(run, "amend", exam, "--meaning", "first")
    usage_error(run, "amend", exam, "--event", 4, "--meaning", "first", "--pd", 60)


def test_a_correction_is_not_corrected_itself(run: Run, exam: Path) -> None:
    run("amend", exam, "--event", 5, "--meaning", "set_sphere", "--value=-1.50")
    assert log_of(exam).events[-1]["value"] == -1.5
    with pytest.raises(UserError, match="is itself a correction; correct event 5 again"):
        run("amend", exam, "--event", 10, "--meaning", "first")
    assert run("amend", exam, "--event", 5, "--meaning", "note", "--value", "tired") == 0


# ---------------------------------------------------------------------------------------- export
def test_export_writes_into_the_exam_folder_where_no_file_is_named(
    run: Run, exam: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("fpdf", reason="the extra `pdf` is not installed")
    for kind, name in (("fhir", "fhir.json"), ("csv", "exam.csv"), ("pdf", "prescription.pdf")):
        assert run("export", exam, "--to", kind) == 0
        assert (exam / name).is_file()
        assert str(exam / name) in capsys.readouterr().out
    assert verify_folder(exam).problems == []


def test_export_to_standard_output(run: Run, exam: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    run("export", exam, "--to", "fhir", "--out", "-", "--fhir-version", "r5")
    assert json.loads(capfdbinary.readouterr().out)["resourceType"] == "Bundle"
    run("export", exam, "--to", "csv", "--out", "-")
    rows = list(csv.DictReader(io.StringIO(capfdbinary.readouterr().out.decode())))
    assert [row["eye"] for row in rows] == ["right", "left"]


def test_export_does_not_send_on_a_changed_record(run: Run, exam: Path) -> None:
    path = exam / "exam.jsonl"
    path.write_bytes(path.read_bytes().replace(b'"sphere":-1.5,', b'"sphere":-6.5,'))
    for kind in ("fhir", "csv", "pdf", "dicom"):
        with pytest.raises(UserError, match=r"was changed.*Run verify"):
            run("export", exam, "--to", kind)


def test_export_never_takes_the_place_of_a_log(run: Run, exam: Path) -> None:
    before = (exam / "exam.jsonl").read_bytes()
    with pytest.raises(UserError, match="belongs to an exam"):
        run("export", exam, "--to", "csv", "--out", exam / "exam.jsonl")
    assert (exam / "exam.jsonl").read_bytes() == before


def test_an_export_takes_the_place_of_an_earlier_one_of_its_kind_alone(run: Run, exam: Path, tmp_path: Path) -> None:
    pytest.importorskip("pydicom", reason="the extra `dicom` is not installed")
    build_report(exam)
    (exam / "mine.csv").write_text("a,b\n")
    (exam / "mine.dcm").write_text("no object")
    run("export", exam, "--to", "fhir")
    before = {path: path.read_bytes() for path in exam.rglob("*") if path.is_file()}
    for path in (*before, exam / "audio" / "9999.flac"):
        for kind in ("csv", "dicom") if path.suffix == ".dcm" else ("csv",):
            with pytest.raises(UserError, match="belongs to an exam"):
                run("export", exam, "--to", kind, "--out", path)
        with pytest.raises(UserError, match="belongs to an exam"):
            run("compare", exam, exam, "--picture", path)
    assert {path: path.read_bytes() for path in exam.rglob("*") if path.is_file()} == before
    for kind in ("fhir", "csv", "dicom"):
        assert run("export", exam, "--to", kind) == run("export", exam, "--to", kind) == 0
    for _ in range(2):
        assert run("compare", exam, exam, "--picture", exam / "change.svg") == 0
    (tmp_path / "other.csv").write_text("outside an exam it is the user's to say")
    assert run("export", exam, "--to", "csv", "--out", tmp_path / "other.csv") == 0


def test_export_to_a_file_that_cannot_be_written_is_told_plainly(run: Run, exam: Path, tmp_path: Path) -> None:
    with pytest.raises(UserError, match="cannot be written"):
        run("export", exam, "--to", "fhir", "--out", tmp_path / "none" / "f.json")


def test_wrong_usage_of_export_is_told(run: Run, exam: Path) -> None:
    usage_error(run, "export", "--to", "fhir")
    usage_error(run, "export", exam)
    usage_error(run, "export", exam, "--to", "fax")
    usage_error(run, "export", exam, "--to", "csv", "--all", exam)
    usage_error(run, "export", "--to", "csv", "--all", exam)
    usage_error(run, "export", exam, "--to", "csv", "--post", "https://fhir.example")
    usage_error(run, "export", exam, "--to", "dicom", "--send", "127.0.0.1:104")
    usage_error(run, "export", exam, "--to", "fhir", "--font", "x.ttf")
    usage_error(run, "export", "--to", "pdf", "--all", exam, "--out", "-")


@pytest.fixture
def many(tmp_path: Path) -> Path:
    """Three exams in folders, one of them without a prescription, and something that is no exam."""
    folder = tmp_path / "exams"
    for name in ("a", "b/second"):
        with record_small_exam(folder / name, ticking(), with_audio=False) as made:
            made.build()
    with ExamFolder.create(folder / "unfinished", ticking(), HEADER) as made:
        made.append({"kind": "step", "eye": "right", "step": "sphere", "status": "begun"})
    (folder / "letters").mkdir()
    return folder


def test_all_exams_go_into_one_table(run: Run, many: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "all.csv"
    with pytest.raises(UserError, match=r"1 of 3 exams were not exported; the first: .*unfinished.*no prescription"):
        run("export", "--to", "csv", "--all", many, "--out", out)
    with out.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["exam"], row["eye"]) for row in rows] == [
        ("a", "right"), ("a", "left"), ("b/second", "right"), ("b/second", "left"),
    ]  # fmt: skip
    assert "2 of 3 exams exported." in capsys.readouterr().out
    shutil.rmtree(many / "unfinished")
    assert run("export", "--to", "csv", "--all", many, "--out", out) == 0
    assert sorted(held.name for held in tmp_path.iterdir()) == ["all.csv", "exams"]


def test_all_exams_go_into_a_file_each(run: Run, many: Path, tmp_path: Path) -> None:
    shutil.rmtree(many / "unfinished")
    assert run("export", "--to", "fhir", "--all", many, "--out", tmp_path / "out") == 0
    written = sorted(held.relative_to(tmp_path / "out").as_posix() for held in (tmp_path / "out").rglob("*.json"))
    assert written == ["a.json", "b/second.json"]


def test_all_of_nothing_is_told_plainly(run: Run, tmp_path: Path) -> None:
    with pytest.raises(UserError, match="holds no exam"):
        run("export", "--to", "csv", "--all", tmp_path, "--out", tmp_path / "x.csv")
    with pytest.raises(UserError, match="is not a folder"):
        run("export", "--to", "csv", "--all", tmp_path / "none", "--out", tmp_path / "x.csv")


# ---------------------------------------------------------------------------------------- posting
@pytest.fixture
def fhir_server() -> Iterator[tuple[str, list[Any], dict[str, Any]]]:
    """A server on loopback: its address, what it was sent, and how it answers."""
    received: list[Any] = []
    answer: dict[str, Any] = {"status": 200}

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            received.append((self.path, self.headers["Content-Type"], json.loads(body)))
            self.send_response(answer["status"])
            if "location" in answer:
                self.send_header("Location", answer["location"])
            self.end_headers()
            self.wfile.write(b'{"resourceType": "OperationOutcome"}')

        do_GET = do_POST

        def log_message(self, *_: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}/r4", received, answer
    server.shutdown()
    thread.join()
    server.server_close()


def test_post_sends_a_transaction_to_the_named_server(
    run: Run, exam: Path, fhir_server: tuple[str, list[Any], dict[str, Any]], capsys: pytest.CaptureFixture[str]
) -> None:
    url, received, _ = fhir_server
    assert run("export", exam, "--to", "fhir", "--post", url) == 0
    ((path, kind, body),) = received
    assert (path, kind, body["type"]) == ("/r4", "application/fhir+json", "transaction")
    assert all(entry["request"]["method"] == "POST" for entry in body["entry"])
    assert f"Sent to {url}: 200 OK; it is a draft, not signed" in capsys.readouterr().out


def test_post_follows_no_redirect_and_tells_a_refusal(
    run: Run, exam: Path, fhir_server: tuple[str, list[Any], dict[str, Any]]
) -> None:
    url, received, answer = fhir_server
    answer |= {"status": 307, "location": "http://127.0.0.1:9/elsewhere"}
    with pytest.raises(UserError, match="did not take it: 307"):
        run("export", exam, "--to", "fhir", "--post", url)
    assert len(received) == 1
    answer["status"] = 422
    with pytest.raises(UserError, match=r"did not take it: 422 .*OperationOutcome"):
        run("export", exam, "--to", "fhir", "--post", url)


@pytest.mark.parametrize(
    ("url", "what"),
    [
        ("fhir.example/r4", "is not the address of a FHIR server"),
        ("file:///etc/hostname", "is not the address of a FHIR server"),
        ("http://fhir.example/r4", "is not encrypted"),
        ("http://127.0.0.1:9/r4", "does not answer"),
    ],
)
def test_post_to_no_server_is_told_plainly(run: Run, exam: Path, url: str, what: str) -> None:
    with pytest.raises(UserError, match=what):
        run("export", exam, "--to", "fhir", "--post", url)


# ---------------------------------------------------------------------------------------- compare
def test_compare_tells_what_changed(run: Run, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first = folder_of(log_with(EyeResult(-150, -50, 90, None, "20/25"), NOT_MEASURED), tmp_path / "first")
    second = folder_of(log_with(EyeResult(-200, -50, 85, None, "20/20"), NOT_MEASURED), tmp_path / "second")
    assert run("compare", first, second, "--picture", tmp_path / "change.svg") == 0
    out = capsys.readouterr().out
    assert "spherical equivalent 0.50 D toward minus, axis turned 5 degrees clockwise" in out
    assert "acuity 1.0 lines better" in out
    assert "beyond the 0.29 D" in out
    assert "CAUTION" not in out
    assert (tmp_path / "change.svg").read_text().startswith("<svg")
    usage_error(run, "compare", first)

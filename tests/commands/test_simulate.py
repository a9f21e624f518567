"""`simulate`: what it prints and writes, and that workers do not change a figure."""

from __future__ import annotations

import argparse
import csv
import importlib
import json
from pathlib import Path
from typing import Any

import pytest

from assistant.commands import simulate, simulate_plots, simulate_text
from assistant.errors import UserError
from assistant.optics.lens import CrossCylinder, Lens
from assistant.patients.cohort import Cohort, exams
from assistant.protocol.effects import Ask
from assistant.protocol.meanings import Heard, Meaning, Outcome, Speaker
from assistant.protocol.questions import AcuityQuestion, Choice, Confirm, Legible, Question, Value
from assistant.protocol.questions import Eye as Side
from assistant.record.events import event


def call(*words: str) -> int:
    parser = argparse.ArgumentParser()
    simulate.add_parser(parser.add_subparsers())
    args = parser.parse_args(["simulate", *words])
    return int(args.run(args))


def figures(capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    assert call("--json", *words) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return json.loads(out)


def test_json_is_the_same_whatever_the_workers(capsys: pytest.CaptureFixture[str]) -> None:
    options = ("--patients", "45", "--kind", "exact", "--seed", "3")
    one, two = figures(capsys, *options), figures(capsys, *options, "--workers", "2")
    assert one["summary"] == two["summary"]
    assert one["summary"]["exams"] == 45
    assert one["summary"]["eyes"] == 90
    assert two["workers"] == 2
    other = figures(capsys, *options[:-1], "4")
    assert other["summary"] != one["summary"]


def test_people_get_sentences_and_the_human_bar(capsys: pytest.CaptureFixture[str]) -> None:
    assert call("--patients", "5", "--kind", "exact", "--population", "clinic") == 0
    out = capsys.readouterr().out
    assert "5 exact patients, 10 eyes: clinic population, from zero, seed 0" in out
    assert "Rosenfield & Chiu" in out
    assert "not with people" in out


def test_a_start_point_shortens_the_exam(capsys: pytest.CaptureFixture[str]) -> None:
    cold = figures(capsys, "--patients", "20", "--kind", "exact")
    near = figures(capsys, "--patients", "20", "--kind", "exact", "--from-start")
    assert near["cohort"]["start"] == "near"
    medians = [r["summary"]["questions_an_eye"]["median"] for r in (near, cold)]
    assert medians[0] < medians[1]


def test_csv_has_a_row_an_eye_in_order(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = [tmp_path / "one.csv", tmp_path / "two.csv"]
    for workers, file in enumerate(files, 1):
        call("--patients", "25", "--kind", "exact", "--csv", str(file), "--workers", str(workers))
    assert files[0].read_bytes() == files[1].read_bytes()
    with files[0].open(encoding="utf-8") as opened:
        rows = list(csv.DictReader(opened))
    assert [(row["number"], row["eye"]) for row in rows[:3]] == [
        ("0", "right"),
        ("0", "left"),
        ("1", "right"),
    ]
    assert len(rows) == 50
    worst = max(float(row["error"]) for row in rows)
    figure = figures(capsys_drained(capsys), "--patients", "25", "--kind", "exact")
    assert worst == pytest.approx(figure["summary"]["error"]["vector"]["p100"], abs=0.001)


def capsys_drained(capsys: pytest.CaptureFixture[str]) -> pytest.CaptureFixture[str]:
    capsys.readouterr()
    return capsys


def test_a_file_that_cannot_be_written_is_one_clear_line(tmp_path: Path) -> None:
    missing = tmp_path / "no" / "rows.csv"
    with pytest.raises(UserError, match=r"rows\.csv: cannot be written \(No such file or directory\)"):
        call("--patients", "1", "--csv", str(missing))


@pytest.mark.parametrize(
    "words",
    [
        ("--kind", "polite"),
        ("--patients", "0"),
        ("--patients", "many"),
        ("--workers", "-1"),
        ("--colour",),
        ("--trait", "lapse"),
    ],
)
def test_wrong_usage_is_exit_code_2(words: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        call(*words)
    assert stopped.value.code == 2
    assert words[0].lstrip("-") in capsys.readouterr().err


class TestThroughText:
    """The line protocol changes nothing: what is typed is what a patient without a microphone means."""

    @pytest.mark.parametrize("start", ["zero", "near"])
    def test_the_same_exam_by_lines_and_in_process(self, start: str) -> None:
        cohort = Cohort(kind="exact", start=start, seed=4)
        assert list(simulate_text.exams(cohort, 2, 3)) == list(exams(cohort, 2, 3))

    def test_silence_and_chatter_come_through(self) -> None:
        silent, inconsistent = Cohort(kind="silent"), Cohort(kind="inconsistent", changes=(("off_topic", 0.3),))
        for cohort in (silent, inconsistent):
            (record,) = simulate_text.exams(cohort, 0, 1)
            assert record.confirmed
            assert "endless" not in record.flags

    def test_every_form_of_question_survives_its_event(self) -> None:
        crossed = Lens.of(-1.25, -0.5, 90, CrossCylinder(25, 45))
        questions: list[Question] = [
            Choice(Side.RIGHT, "axis", crossed, Lens.of(2)),
            Legible(Side.LEFT, "over_minus", crossed, "20/25"),
            AcuityQuestion(Side.RIGHT, "acuity", crossed),
            Value(Side.BOTH, "pd", "pd"),
            Confirm(Side.BOTH, "read_back", "prescription"),
        ]
        for question in questions:
            assert simulate_text.question_from_event(event(Ask(question, 1))) == question

    def test_lines_carry_who_and_when(self) -> None:
        heard = Heard("two", Outcome.HEARD, Meaning.SECOND, by=Speaker.PATIENT, after=1.5)
        assert json.loads(simulate_text.line(heard)) == {"say": "two", "by": "patient", "after": 1.5}
        assert simulate_text.line(Heard("", Outcome.SILENCE)) == ""


def test_traits_are_swept(capsys: pytest.CaptureFixture[str]) -> None:
    plain = figures(capsys, "--patients", "10", "--kind", "steady")
    swept = figures(capsys, "--patients", "10", "--kind", "steady", "--trait", "lapse=0.5")
    assert swept["cohort"]["changes"] == [["lapse", 0.5]]
    assert swept["summary"] != plain["summary"]


@pytest.mark.parametrize(
    ("trait", "says"), [("humour=1", "'humour' is none of threshold"), ("lapse=2", "lapse: 2.0 is not a share")]
)
def test_a_trait_that_cannot_be_is_one_clear_line(trait: str, says: str) -> None:
    with pytest.raises(UserError, match=says):
        call("--patients", "1", "--trait", trait)


class TestPlots:
    def test_pictures_are_written(self, tmp_path: Path) -> None:
        pytest.importorskip("matplotlib", reason="matplotlib is not installed: no pictures to test")
        call("--patients", "4", "--kind", "exact", "--plots", str(tmp_path / "plots"))
        for name in ("difference", "astigmatism", "questions"):
            assert (tmp_path / "plots" / f"{name}.png").read_bytes().startswith(b"\x89PNG")
            assert "<svg" in (tmp_path / "plots" / f"{name}.svg").read_text()

    def test_without_matplotlib_the_fix_is_named_before_the_work(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def missing(name: str) -> Any:
            raise ImportError(name)

        monkeypatch.setattr(importlib, "import_module", missing)
        with pytest.raises(UserError, match=r"pip install 'handsfree-refraction\[plots\]'"):
            call("--patients", "1", "--plots", str(tmp_path))

    def test_a_folder_that_cannot_be_made_is_one_clear_line(self, tmp_path: Path) -> None:
        pytest.importorskip("matplotlib", reason="matplotlib is not installed: no pictures to test")
        (tmp_path / "file").touch()
        with pytest.raises(UserError, match="pictures cannot be written"):
            simulate_plots.draw([], tmp_path / "file" / "plots")

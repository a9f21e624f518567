"""`bench patients`: its figures are those of the cohort, and its speed is that of all its workers."""

from __future__ import annotations

import json
from typing import Any

import pytest

from assistant.cli import main
from assistant.commands import bench_patients
from assistant.patients.cohort import Cohort, Tally, exams


def test_a_kinds_figures_are_its_cohorts() -> None:
    row = bench_patients.measured("exact", 3, "wide", 5)
    tally = Tally()
    for record in exams(Cohort("exact", "wide", 5), 0, 3):
        tally.add(record)
    summary: Any = tally.summary()
    assert row["eyes"] == 6
    assert row["m_025"] == pytest.approx(summary["agreement"]["m_within_0.25"])
    assert row["m_050"] == pytest.approx(summary["agreement"]["m_within_0.50"])


def test_the_speed_counts_the_exams_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """The clock is read twice, a second apart; the first chunk, while workers start, is not counted."""
    ticks = iter(range(100))
    monkeypatch.setattr(bench_patients.time, "perf_counter", lambda: float(next(ticks)))
    part = Tally()
    part.exams = 20
    monkeypatch.setattr(bench_patients.simulate_work, "here", lambda work: ((part, []) for _ in work))
    assert bench_patients.speed(1, 60, 1, "book") == pytest.approx(60.0)


def test_json_holds_kinds_and_speeds(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench_patients, "KINDS", {"exact": None})
    monkeypatch.setattr(bench_patients, "speed", lambda workers, *rest: 10.0 * workers)
    assert main(["bench", "patients", "--patients", "1", "--speed", "40", "--json"]) == 0
    held = json.loads(capsys.readouterr().out)
    assert [row["kind"] for row in held["kinds"]] == ["exact"]
    assert held["exams_per_second"] == {"1": 10.0, "2": 20.0}

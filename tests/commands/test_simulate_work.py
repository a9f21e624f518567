"""Processes and clusters: the same figures whoever sits the exams, a flat memory, and a killed worker
survived."""

from __future__ import annotations

import importlib
import os
import signal
import warnings
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from assistant.commands import simulate_work
from assistant.commands.simulate_files import CsvSink, ParquetSink
from assistant.commands.simulate_work import Job, jobs
from assistant.errors import UserError
from assistant.patients.cohort import COLUMNS, Cohort, Tally, exam_of, rows

COHORT = Cohort(kind="exact", population="clinic", seed=8)


def whole(parts: Iterator[simulate_work.Part]) -> tuple[Tally, list[object]]:
    tally, written = Tally(), list[object]()
    for part, its_rows in parts:
        tally.merge(part)
        written += its_rows
    return tally, written


def test_jobs_cover_the_cohort_once() -> None:
    numbers = [n for job in jobs(COHORT, 47, False, False) for n in range(job.first, job.last)]
    assert numbers == list(range(47))


def test_processes_change_nothing() -> None:
    alone = whole(simulate_work.here(jobs(COHORT, 45, True, False)))
    assert whole(simulate_work.in_processes(jobs(COHORT, 45, True, False), 2)) == alone


def test_no_more_jobs_wait_than_are_allowed() -> None:
    """What keeps a million exams in the memory of a hundred: results are taken before more jobs are cut."""
    cut = 0

    def cutting() -> Iterator[Job]:
        nonlocal cut
        for job in jobs(COHORT, 2000, False, False):
            cut += 1
            yield job

    def at_once(job: Job) -> Future[simulate_work.Part]:
        done: Future[simulate_work.Part] = Future()
        done.set_result((Tally(exams=job.first), []))
        return done

    taken = []
    for part, _ in simulate_work._in_order(at_once, cutting(), 8):
        taken.append(part.exams)
        assert cut - len(taken) < 8
    assert taken == [job.first for job in jobs(COHORT, 2000, False, False)]


class TestCluster:
    @pytest.fixture
    def cluster(self) -> Iterator[Any]:
        distributed = pytest.importorskip(
            "distributed", reason="Dask is not installed (extra `cluster`): no cluster to test"
        )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Dask's own, about ports and event loops
            with distributed.LocalCluster(
                n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
            ) as made:
                yield made

    @pytest.mark.filterwarnings("ignore")
    def test_a_cluster_changes_nothing_even_when_a_worker_is_killed(self, cluster: Any) -> None:
        alone = whole(simulate_work.here(jobs(COHORT, 400, True, False)))
        parts = simulate_work.on_cluster(jobs(COHORT, 400, True, False), cluster.scheduler_address)
        first = next(parts)
        victim = next(iter(cluster.workers.values())).process.pid
        os.kill(victim, signal.SIGKILL)

        def all_parts() -> Iterator[simulate_work.Part]:
            yield first
            yield from parts

        assert whole(all_parts()) == alone

    @pytest.mark.filterwarnings("ignore")
    def test_no_scheduler_is_one_clear_line(self, monkeypatch: pytest.MonkeyPatch) -> None:
        pytest.importorskip("distributed", reason="Dask is not installed (extra `cluster`)")
        monkeypatch.setattr(simulate_work, "CONNECT", "100ms")
        with pytest.raises(UserError, match=r"no scheduler answers at tcp://127\.0\.0\.1:9"):
            next(simulate_work.on_cluster(jobs(COHORT, 1, False, False), "tcp://127.0.0.1:9"))

    def test_without_dask_the_fix_is_named(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(importlib, "import_module", _missing)
        with pytest.raises(UserError, match=r"pip install 'handsfree-refraction\[cluster\]'"):
            next(simulate_work.on_cluster(jobs(COHORT, 1, False, False), "tcp://127.0.0.1:9"))


def _missing(name: str) -> Any:
    raise ImportError(name)


ROWS = [row for number in range(3) for row in rows(exam_of(COHORT, number))]


class TestFiles:
    def test_parquet_holds_what_csv_holds(self, tmp_path: Path) -> None:
        parquet = pytest.importorskip(
            "pyarrow.parquet", reason="PyArrow is not installed (extra `parquet`): no Parquet to test"
        )
        file = tmp_path / "rows.parquet"
        with ExitStack() as stack:
            sink = ParquetSink(file, stack)
            sink.write(ROWS[:2])
            sink.write(ROWS[2:])
        table = parquet.read_table(file)
        assert tuple(table.column_names) == COLUMNS
        assert table.to_pylist() == ROWS

    def test_parquet_is_written_group_by_group(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        parquet = pytest.importorskip("pyarrow.parquet", reason="PyArrow is not installed (extra `parquet`)")
        monkeypatch.setattr("assistant.commands.simulate_files.GROUP", 4)
        file = tmp_path / "rows.parquet"
        with ExitStack() as stack:
            sink = ParquetSink(file, stack)
            for row in ROWS:
                sink.write([row])
        assert parquet.ParquetFile(file).num_row_groups == 2
        assert parquet.read_table(file).to_pylist() == ROWS

    def test_without_pyarrow_the_fix_is_named(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(importlib, "import_module", _missing)
        with pytest.raises(UserError, match=r"pip install 'handsfree-refraction\[parquet\]'"), ExitStack() as s:
            ParquetSink(tmp_path / "rows.parquet", s)

    @pytest.mark.parametrize("sink", [CsvSink, ParquetSink])
    def test_a_file_that_cannot_be_written_is_one_clear_line(self, sink: Any, tmp_path: Path) -> None:
        if sink is ParquetSink:
            pytest.importorskip("pyarrow", reason="PyArrow is not installed (extra `parquet`)")
        with pytest.raises(UserError, match=r"rows: cannot be written \("), ExitStack() as stack:
            sink(tmp_path / "no" / "rows", stack)

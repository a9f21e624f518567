"""Who sits the exams of a cohort: this process, several, or a Dask cluster. The results do not depend on
it."""

from __future__ import annotations

import importlib
import multiprocessing
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from typing import Any, Final, Protocol

from threadpoolctl import threadpool_limits

from ..errors import UserError
from ..patients.cohort import Cell, Cohort, ExamRecord, Tally, exams, rows
from . import simulate_text

CHUNK: Final = 20  # exams a worker sits before it reports back: a fraction of a second
WAITING: Final = 4  # chunks a worker has waiting: enough to keep it busy, few enough to keep memory flat
CONNECT: Final = "10s"  # longest wait for a cluster's scheduler

Part = tuple[Tally, list[dict[str, Cell]]]


@dataclass(frozen=True)
class Job:
    """Exams `first` up to, not including, `last` of a cohort; `rows` of every eye are wanted back or not."""

    cohort: Cohort
    first: int
    last: int
    rows: bool
    through_text: bool
    spoken: str | None = None  # the room the replies are spoken in


class _Future(Protocol):
    def result(self) -> Part: ...


def sit(job: Job) -> Part:
    """The tally of a job's exams, and their rows if wanted."""
    tally, written = Tally(), list[dict[str, Cell]]()
    # An exam's arrays are small: threads of the linear algebra would wait for each other, and for other workers'.
    with threadpool_limits(1, user_api="blas"):
        for record in _sitting(job):
            tally.add(record)
            if job.rows:
                written.extend(rows(record))
    return tally, written


def _sitting(job: Job) -> Iterator[ExamRecord]:
    if job.spoken is not None:
        from . import simulate_spoken  # the recogniser is loaded for those who speak only

        return simulate_spoken.exams(job.cohort, job.first, job.last, job.spoken)
    sitting = simulate_text.exams if job.through_text else exams
    return sitting(job.cohort, job.first, job.last)


def jobs(cohort: Cohort, patients: int, rows: bool, through_text: bool, spoken: str | None = None) -> Iterator[Job]:
    """A cohort cut into jobs, in order."""
    chunk = 1 if through_text or spoken else CHUNK
    for first in range(0, patients, chunk):
        yield Job(cohort, first, min(first + chunk, patients), rows, through_text, spoken)


def here(work: Iterator[Job]) -> Iterator[Part]:
    """The parts in order, one after the other in this process."""
    yield from map(sit, work)


def in_processes(work: Iterator[Job], workers: int) -> Iterator[Part]:
    """The parts in order, sat by `workers` processes of this machine."""
    # Spawned, not forked: the progress bar has a thread, and a fork would copy its locks in any state.
    with ProcessPoolExecutor(workers, multiprocessing.get_context("spawn")) as pool:
        try:
            yield from _in_order(lambda job: pool.submit(sit, job), work, WAITING * workers)
        except BrokenProcessPool as error:
            raise UserError(
                "a worker process died (out of memory, or killed): run again with fewer --workers"
            ) from error


def on_cluster(work: Iterator[Job], scheduler: str) -> Iterator[Part]:
    """The parts in order, sat by a Dask cluster; a job whose worker dies is sat again by another.

    Raises UserError when the library is missing, the scheduler does not answer, or its workers keep dying.
    """
    try:
        distributed = importlib.import_module("distributed")
    except ImportError as error:
        raise UserError(
            "--scheduler needs Dask: install it with  pip install 'handsfree-refraction[cluster]'"
        ) from error
    try:
        client: Any = distributed.Client(scheduler, timeout=CONNECT)
    except (OSError, TimeoutError, ValueError) as error:
        raise UserError(f"no scheduler answers at {scheduler}: start one with  dask scheduler") from error
    with client:
        threads = sum(client.nthreads().values())
        if not threads:
            raise UserError(f"the scheduler at {scheduler} has no workers: start some with  dask worker {scheduler}")

        def submit(job: Job) -> _Future:
            future: _Future = client.submit(sit, job, pure=False)
            return future

        try:
            yield from _in_order(submit, work, WAITING * threads)
        except distributed.KilledWorker as error:
            raise UserError("workers of the cluster keep dying: look at their logs for memory or versions") from error


def _in_order(submit: Callable[[Job], _Future], work: Iterator[Job], waiting: int) -> Iterator[Part]:
    """Results in the order of the jobs, no more than `waiting` jobs ahead of the one that is due."""
    pending: deque[_Future] = deque()
    for job in work:
        pending.append(submit(job))
        if len(pending) >= waiting:
            yield pending.popleft().result()
    while pending:
        yield pending.popleft().result()

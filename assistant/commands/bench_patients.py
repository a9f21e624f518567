"""`bench patients`: how near the exam comes to what virtual patients of every kind need, in how many questions."""

from __future__ import annotations

import argparse
import json
import time
from typing import Any

from ..patients.cohort import Cohort, exams
from ..patients.patient import HOSTILE, KINDS
from ..protocol.start import PACES
from . import simulate_work


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "patients",
        help="how near the exam comes to what virtual patients need, kind by kind",
        description="Sits cohorts of every kind of virtual patient through the exam. Models, not people.",
    )
    parser.add_argument("--patients", metavar="N", type=int, default=50, help="of each kind (50)")
    parser.add_argument("--population", choices=("wide", "clinic"), default="wide", help="where eyes come from (wide)")
    parser.add_argument("--seed", type=int, default=1, help="another seed, other patients (1)")
    parser.add_argument("--pace", choices=PACES, default=PACES[0], help="of the exam, as in `exam` (book)")
    parser.add_argument(
        "--speed", metavar="N", type=int, default=0, help="also sit N typical exams with one and with two workers (0)"
    )
    parser.add_argument("--json", action="store_true", help="JSON")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    kinds = [kind for kind in KINDS if kind not in HOSTILE]
    rows = [measured(kind, args.patients, args.population, args.seed, args.pace) for kind in kinds]
    speeds = {workers: speed(workers, args.speed, args.seed, args.pace) for workers in (1, 2) if args.speed}
    if args.json:
        print(json.dumps({"kinds": rows, "exams_per_second": speeds}))
        return 0
    print(f"{args.patients} virtual patients a kind, {args.population} population, seed {args.seed}, pace: {args.pace}")
    print(f"{'kind':14} {'M ±0.25':>8} {'M ±0.50':>8} {'J ±0.16':>8} {'vector 50/95 %':>15} {'questions':>10}  exams/s")
    for row in rows:
        vector = f"{row['vector_50']:.2f}/{row['vector_95']:.2f} D"
        print(
            f"{row['kind']:14} {row['m_025']:8.1%} {row['m_050']:8.1%} {row['j_016']:8.1%} {vector:>15} "
            f"{row['questions']:10.0f} {row['exams_per_second']:8.1f}"
        )
    for workers, rate in speeds.items():
        print(f"{rate:.1f} exams a second with {workers} worker{'s' if workers > 1 else ''}, typical patients")
    return 0


def speed(workers: int, exams_wanted: int, seed: int, pace: str) -> float:
    """Exams a second (wall clock) of typical patients; a process's start is not counted, as it is no exam's."""
    work = simulate_work.jobs(Cohort(seed=seed, pace=pace), exams_wanted + workers * simulate_work.CHUNK, False, False)
    parts = simulate_work.here(work) if workers == 1 else simulate_work.in_processes(work, workers)
    began, done = 0.0, 0
    for number, (tally, _) in enumerate(parts):
        if number < workers:  # the first of each: until they are back, processes were starting
            began = time.perf_counter()
        else:
            done += tally.exams
    return done / (time.perf_counter() - began)


def measured(kind: str, patients: int, population: str, seed: int, pace: str = PACES[0]) -> dict[str, Any]:
    """The figures of one kind; shares from 0 to 1, dioptres, median questions an eye."""
    errors: list[tuple[float, float, float]] = []
    questions: list[int] = []
    began = time.perf_counter()
    for record in exams(Cohort(kind=kind, population=population, seed=seed, pace=pace), 0, patients):
        for eye in record.eyes:
            if eye.error is not None:
                errors.append((eye.error.m, eye.error.j0, eye.error.j45))
            questions.append(eye.questions)
    seconds = time.perf_counter() - began
    count = max(1, len(errors))
    vectors = sorted((m * m + a * a + b * b) ** 0.5 for m, a, b in errors)
    return {
        "kind": kind,
        "eyes": len(errors),
        "m_025": sum(abs(m) <= 0.25 for m, _, _ in errors) / count,
        "m_050": sum(abs(m) <= 0.50 for m, _, _ in errors) / count,
        "j_016": sum((abs(a) <= 0.16) + (abs(b) <= 0.16) for _, a, b in errors) / (2 * count),
        "vector_50": vectors[len(vectors) // 2],
        "vector_95": vectors[int(0.95 * (len(vectors) - 1))],
        "questions": sorted(questions)[len(questions) // 2],
        "exams_per_second": patients / seconds,
    }

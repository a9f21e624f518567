"""`bench patients`: how near the exam comes to what virtual patients of every kind need, in how many questions."""

from __future__ import annotations

import argparse
import json
import time
from typing import Any

from ..patients.cohort import Cohort, exams
from ..patients.patient import HOSTILE, KINDS


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "patients",
        help="how near the exam comes to what virtual patients need, kind by kind",
        description="Sits cohorts of every kind of virtual patient through the exam. Models, not people.",
    )
    parser.add_argument("--patients", metavar="N", type=int, default=50, help="of each kind (50)")
    parser.add_argument("--population", choices=("wide", "clinic"), default="wide", help="where eyes come from (wide)")
    parser.add_argument("--seed", type=int, default=1, help="another seed, other patients (1)")
    parser.add_argument("--json", action="store_true", help="JSON")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    rows = [measured(kind, args.patients, args.population, args.seed) for kind in KINDS if kind not in HOSTILE]
    if args.json:
        print(json.dumps(rows))
        return 0
    print(f"{args.patients} virtual patients a kind, {args.population} population, seed {args.seed}")
    print(f"{'kind':14} {'M ±0.25':>8} {'M ±0.50':>8} {'J ±0.16':>8} {'vector 50/95 %':>15} {'questions':>10}  exams/s")
    for row in rows:
        vector = f"{row['vector_50']:.2f}/{row['vector_95']:.2f} D"
        print(
            f"{row['kind']:14} {row['m_025']:8.1%} {row['m_050']:8.1%} {row['j_016']:8.1%} {vector:>15} "
            f"{row['questions']:10.0f} {row['exams_per_second']:8.1f}"
        )
    return 0


def measured(kind: str, patients: int, population: str, seed: int) -> dict[str, Any]:
    """The figures of one kind; shares from 0 to 1, dioptres, median questions an eye."""
    errors: list[tuple[float, float, float]] = []
    questions: list[int] = []
    began = time.perf_counter()
    for record in exams(Cohort(kind=kind, population=population, seed=seed), 0, patients):
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

"""`simulate`: cohorts of virtual patients sit the exam, and the drafts are compared with what the eyes
needed."""

from __future__ import annotations

import argparse
import json
import sys
import time
from contextlib import ExitStack
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import UserError
from ..patients.cohort import (
    HUMAN_EXAMINERS,
    POPULATIONS,
    STARTS,
    Cell,
    Cohort,
    StartFrom,
    Tally,
)
from ..patients.eye import BlurModel
from ..patients.patient import KINDS
from ..protocol.start import PACES
from . import simulate_files, simulate_work

if TYPE_CHECKING:
    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]

PLOTTED = 10_000  # eyes kept for the plots; a larger cohort is drawn by its first ones


def add_parser(subparsers: Subparsers) -> None:
    parser = subparsers.add_parser(
        "simulate",
        help="virtual patients sit the exam; how far the drafts are from what the eyes need",
        description="Virtual patients sit the exam; every draft is compared with what the eye needs.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        epilog=_names("kinds of patients", {name: kind.says for name, kind in KINDS.items()})
        + _names("populations", {name: population.says for name, population in POPULATIONS.items()}),
    )
    parser.add_argument(
        "--patients", type=_count, default=100, metavar="N", help="how many patients, two eyes each (100)"
    )
    parser.add_argument(
        "--kind", choices=tuple(KINDS), default="typical", metavar="KIND", help="how they answer (typical)"
    )
    parser.add_argument("--population", choices=tuple(POPULATIONS), default="wide", help="what eyes they bring (wide)")
    parser.add_argument("--seed", type=int, default=0, help="same seed, same patients and answers (0)")
    parser.add_argument(
        "--from-start",
        choices=STARTS,
        nargs="?",
        const=StartFrom.NEAR,
        default=StartFrom.ZERO,
        help="begin from a lens within 0.75 D (near), or with 0.50-1.50 D too much minus",
    )
    parser.add_argument(
        "--blur",
        choices=tuple(model.value for model in BlurModel),
        default=BlurModel.SQUARE.value,
        help="how acuity falls with blur: MAR as 1 + b² (square), or the chart table",
    )
    parser.add_argument("--pace", choices=PACES, default=PACES[0], help="of the exam, as in `exam` (book)")
    parser.add_argument(
        "--trait",
        type=_trait,
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="set one of the kind's traits otherwise, to sweep it (lapse=0.05); may be repeated",
    )
    parser.add_argument(
        "--workers", type=_count, default=1, metavar="N", help="processes; the figures do not depend on it"
    )
    parser.add_argument(
        "--scheduler", metavar="tcp://HOST:PORT", help="a Dask cluster's scheduler, in place of --workers"
    )
    parser.add_argument(
        "--through-text",
        action="store_true",
        help="each exam is an `exam --listen text --events -` of its own: slow, the whole line protocol",
    )
    parser.add_argument(
        "--spoken",
        choices=("quiet", "10dB"),
        nargs="?",
        const="quiet",
        help="each answer is a clip in a quiet room, or in noise 10 dB below it, through the real recogniser: slow",
    )
    parser.add_argument("--json", action="store_true", help="print the figures as one JSON object")
    parser.add_argument("--csv", type=Path, metavar="FILE", help="write a row for every eye")
    parser.add_argument("--parquet", type=Path, metavar="FILE", help="the same as Parquet, for large cohorts")
    parser.add_argument("--plots", type=Path, metavar="DIR", help="write pictures of the errors as PNG and SVG")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Sit the cohort and print what came of it. Exit code 0, or UserError for files that cannot be
    written."""
    try:
        cohort = Cohort(args.kind, args.population, args.seed, args.from_start, args.blur, args.pace, tuple(args.trait))
    except ValueError as error:
        raise UserError(f"--trait: {error}") from error
    if args.spoken is not None and args.through_text:
        raise UserError("--spoken and --through-text are two ways to answer: give one of them")
    if args.plots is not None:
        from . import simulate_plots  # before an hour's work, not after it

        simulate_plots.require()
    began = time.perf_counter()
    tally, kept = Tally(), list[dict[str, Cell]]()
    with ExitStack() as stack:
        sinks: list[simulate_files.Sink] = []
        if args.csv is not None:
            sinks.append(simulate_files.CsvSink(args.csv, stack))
        if args.parquet is not None:
            sinks.append(simulate_files.ParquetSink(args.parquet, stack))
        wanted = bool(sinks) or args.plots is not None
        work = simulate_work.jobs(cohort, args.patients, wanted, args.through_text, args.spoken)
        if args.scheduler is not None:
            parts = simulate_work.on_cluster(work, args.scheduler)
        elif args.workers > 1:
            parts = simulate_work.in_processes(work, args.workers)
        else:
            parts = simulate_work.here(work)
        bar = stack.enter_context(_Bar(args.patients))
        for part, written in parts:
            tally.merge(part)
            for sink in sinks:
                sink.write(written)
            if args.plots is not None and len(kept) < PLOTTED:
                kept += written
            bar.advance(part.exams)
    seconds = time.perf_counter() - began
    if args.plots is not None:
        simulate_plots.draw(kept, args.plots)
    if args.json:
        print(json.dumps(_report(cohort, tally, args.workers, seconds), indent=2))
    else:
        print(summary_text(cohort, tally, args.workers, seconds))
    return 0


# -- showing


class _Bar:
    """A progress bar on standard error where that is a terminal; nothing elsewhere."""

    def __init__(self, patients: int) -> None:
        self._progress: Any = None
        if sys.stderr.isatty():
            from rich.console import Console
            from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

            self._progress = Progress(
                TextColumn("exams"),
                BarColumn(),
                MofNCompleteColumn(),
                TimeRemainingColumn(),
                console=Console(stderr=True),
                transient=True,
            )
            self._task = self._progress.add_task("exams", total=patients)

    def __enter__(self) -> _Bar:
        if self._progress is not None:
            self._progress.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._progress is not None:
            self._progress.stop()

    def advance(self, exams: int) -> None:
        if self._progress is not None:
            self._progress.advance(self._task, exams)


def _report(cohort: Cohort, tally: Tally, workers: int, seconds: float) -> dict[str, object]:
    return {
        "cohort": asdict(cohort),
        "summary": tally.summary(),
        "human_examiners": list(HUMAN_EXAMINERS),
        "workers": workers,
        "seconds": round(seconds, 2),
        "exams_per_second": round(tally.exams / seconds, 1),
    }


def summary_text(cohort: Cohort, tally: Tally, workers: int, seconds: float) -> str:
    """The figures for people: dioptres, degrees, per cent."""
    figures: Any = tally.summary()
    error, agreement = figures["error"], figures["agreement"]
    lines = [
        f"{tally.exams:,} {cohort.kind} patients, {figures['eyes']:,} eyes: {cohort.population} population, "
        f"from {cohort.start}, seed {cohort.seed}" + ("" if cohort.pace == PACES[0] else f", pace: {cohort.pace}"),
        f"{tally.exams / seconds:.1f} exams a second, {workers} worker{'s' if workers > 1 else ''}",
        "",
        "draft less truth (D)        bias      SD    50 %    90 %    95 %    99 %    most",
    ]
    for key, name in (
        ("m", "spherical equivalent M"),
        ("j0", "J0"),
        ("j45", "J45"),
        ("sphere", "sphere"),
        ("cylinder", "cylinder"),
        ("vector", "whole power vector"),
    ):
        row = error[key]
        bias = "" if key == "vector" else _signed(row["bias"])
        cells = [bias, "" if key == "vector" else _plain(row["sd"])]
        cells += [_plain(row[share]) for share in ("p50", "p90", "p95", "p99", "p100")]
        lines.append(f"  {name:<23}" + "".join(f"{cell:>8}" for cell in cells).removeprefix(" "))
    lines += [
        "",
        *(
            f"within ±{limit} D: M {_share(agreement[f'm_within_{limit}'])}, "
            f"power vector {_share(agreement[f'vector_within_{limit}'])}"
            for limit in ("0.25", "0.50")
        ),
        "within ±0.16 D: " + ", ".join(f"{j} {_share(agreement[f'{j.lower()}_within_0.16'])}" for j in ("J0", "J45")),
        "",
        "axis error (degrees) by true cylinder: "
        + " · ".join(_axis(band) for band in figures["axis_error"] if band["eyes"]),
        "questions an eye: median {median}, 95 % {p95}, most {most}".format(**figures["questions_an_eye"]),
        "flags: " + (", ".join(f"{code} {n}" for code, n in figures["flags"].items()) or "none"),
        f"eyes off by more than 0.50 D: {figures['outside_0.50']}, "
        f"{figures['outside_0.50_unflagged']} of them without a flag"
        + (f" · left open: {figures['open_eyes']}" if figures["open_eyes"] else "")
        + (f" · exams not confirmed: {figures['unconfirmed']}" if figures["unconfirmed"] else ""),
        "",
        *_spoken_lines(figures),
        "for comparison, people refracting people:",
        *(f"  {line}" for line in HUMAN_EXAMINERS),
        "These patients are models: they show how the exam copes with such answers, not with people.",
    ]
    return "\n".join(lines)


def _spoken_lines(figures: dict[str, Any]) -> list[str]:
    if "spoken" not in figures:
        return []
    counts = ", ".join(f"{n} {what}" for what, n in figures["spoken"].items())
    return [
        f"replies (synthetic voices): {counts}",
        f'eyes misled by "one" taken for "two", or the other way, without a flag: {figures["misled"]}',
        "",
    ]


def _signed(value: float | None) -> str:
    return "-" if value is None else f"{value + 0.0:+.3f}"


def _plain(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"


def _share(value: float | None) -> str:
    return "-" if value is None else f"{100 * value:.1f} %"


def _axis(band: dict[str, Any]) -> str:
    upper = "above" if band["cylinder_to"] is None else f"to {band['cylinder_to']:.2f}"
    return f"{upper}: median {band['median']}, 95 % {band['p95']}"


def _names(title: str, names: dict[str, str]) -> str:
    return f"{title}:\n" + "".join(f"  {name:<14} {says}\n" for name, says in names.items())


def _count(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"{text} is not a number from 1 on")
    return number


def _trait(text: str) -> tuple[str, float]:
    name, equals, value = text.partition("=")
    if not equals:
        raise argparse.ArgumentTypeError(f"{text!r} is not NAME=VALUE such as lapse=0.05")
    return name, float(value)

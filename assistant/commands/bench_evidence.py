"""`bench evidence`: do the stated intervals hold the truth as often as they say, and does doubt fall on the right eyes?

Virtual patients sit the exam as ever; each eye's answers are then made into a posterior (`assistant.evidence`), whose
intervals and doubt are held against the eye. Models, not people: what the figures show is that the sums are right for
answers of this sort, patients unlike the model's own middle included (`SWEPT`).
"""

from __future__ import annotations

import argparse
import json
import statistics
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from ..evidence import Evidence
from ..evidence.together import weigh
from ..optics.lens import Lens
from ..patients.cohort import Cohort, StartFrom, draw_patient, sit
from ..patients.patient import HOSTILE, KINDS
from ..protocol.exam import Exam

LEVELS: Final = (0.50, 0.80, 0.95)
PARTS: Final = ("m", "j0", "j45", "sphere", "cylinder", "axis")
OUTSIDE: Final = 0.50  # D: length of the error vector beyond which an eye was missed

SWEPT: Final[tuple[tuple[str, tuple[tuple[str, float], ...]], ...]] = (
    ("flat slope", (("threshold", 0.12), ("weber", 0.15))),
    ("steep slope", (("threshold", 0.03), ("weber", 0.02))),
    ("never the same", (("same_zone", 0.0),)),
    ("often the same", (("same_zone", 0.20),)),
    ("lapses 10 %", (("lapse", 0.10),)),
    ("leans to two", (("position_bias", 0.7),)),
    ("likes minus", (("minus_liking", 0.15),)),
    ("reads on", (("any_letter", 0.25),)),
)
"""Typical patients with traits turned away from the model's middle."""


@dataclass
class Row:
    """What came of one cohort. Counts of eyes; `held` by level and part."""

    name: str
    eyes: int = 0
    stated: int = 0  # eyes whose intervals the draft states
    held: dict[tuple[float, str], int] = field(default_factory=dict)
    half_widths: list[tuple[float, float]] = field(default_factory=list)  # D, of M and of J0 at 95 %
    errors: list[tuple[float, float]] = field(default_factory=list)  # D, draft and posterior mean, vector lengths
    doubted_inside: int = 0
    inside: int = 0
    doubted_outside: int = 0
    outside: int = 0
    answers: int = 0
    seconds: float = 0.0

    def add(self, evidence: Evidence, lens: Lens, truth: Any, stated: bool) -> None:
        """`stated`: the draft states the intervals of this eye; where its answers do not fit together, it does not."""
        self.eyes += 1
        self.stated += stated
        for level in LEVELS if stated else ():
            spans = evidence.intervals(level)
            for part, held in spans.holds(truth).items():
                self.held[level, part] = self.held.get((level, part), 0) + held
            if level == LEVELS[-1]:
                self.half_widths.append((spans.m.half, spans.j0.half))
        missed = lens.vector.minus(truth).blur
        self.errors.append((missed, evidence.mean.minus(truth).blur))
        doubted = evidence.doubt(lens).doubtful
        if missed > OUTSIDE:
            self.outside += 1
            self.doubted_outside += doubted
        else:
            self.inside += 1
            self.doubted_inside += doubted

    def coverage(self, level: float, part: str) -> float:
        return self.held.get((level, part), 0) / max(1, self.stated)

    def figures(self) -> dict[str, Any]:
        """For JSON: shares 0-1, dioptres, milliseconds of processor time."""
        return {
            "name": self.name,
            "eyes": self.eyes,
            "stated": self.stated,
            "coverage": {
                f"{level:.2f}": {part: round(self.coverage(level, part), 4) for part in PARTS} for level in LEVELS
            },
            "half_width_m": _median(m for m, _ in self.half_widths),
            "half_width_j0": _median(j for _, j in self.half_widths),
            "draft_error_95": round(_share(sorted(e for e, _ in self.errors), 0.95), 3),
            "posterior_error_95": round(_share(sorted(e for _, e in self.errors), 0.95), 3),
            "doubted_inside": round(self.doubted_inside / self.inside, 4) if self.inside else None,
            "doubted_outside": round(self.doubted_outside / self.outside, 4) if self.outside else None,
            "outside": self.outside,
            "ms_an_answer": round(1000 * self.seconds / max(1, self.answers), 2),
        }


def _median(widths: Iterable[float]) -> float | None:
    known = list(widths)
    return round(statistics.median(known), 3) if known else None


def _share(values: Sequence[float], share: float) -> float:
    return values[min(len(values) - 1, int(share * len(values)))]


def coverage(name: str, cohort: Cohort, patients: int) -> Row:
    """Both eyes of `patients` exams of a cohort, held against their truth."""
    row = Row(name)
    for number in range(patients):
        person, start = draw_patient(cohort, number)
        exam = Exam(start, weigh)
        sit(person, exam, number)
        for progress, given, truth in (
            (exam.state.right, start.right.lens, person.right),
            (exam.state.left, start.left.lens, person.left),
        ):
            began = time.process_time()
            evidence = Evidence.of(progress, given)
            row.seconds += time.process_time() - began
            row.answers += len(progress.answers)
            row.add(evidence, progress.state.lens, truth.correction, not progress.doubts)
    return row


def cohorts(seed: int, population: str) -> list[tuple[str, Cohort]]:
    """Every kind, other starting points, and typical patients with swept traits."""
    kinds = [(kind, Cohort(kind, population, seed)) for kind in KINDS]
    typical = Cohort("typical", population, seed)
    begun = (StartFrom.NEAR, StartFrom.OVER_MINUSED)
    starts = [(f"typical, {start}", replace(typical, start=start)) for start in begun]
    other = "clinic" if population == "wide" else "wide"
    swept = [(name, replace(typical, changes=changes)) for name, changes in SWEPT]
    return [*kinds, *starts, (f"typical, {other}", replace(typical, population=other)), *swept]


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "evidence",
        help="whether intervals hold the truth as often as they say, and doubt falls on the right eyes",
        description="Virtual patients sit the exam; what is said of their eyes is held against the truth.",
    )
    parser.add_argument("--patients", metavar="N", type=int, default=30, help="of each kind, two eyes each (30)")
    parser.add_argument("--population", choices=("wide", "clinic"), default="wide", help="where eyes come from (wide)")
    parser.add_argument("--seed", type=int, default=1, help="another seed, other patients (1)")
    parser.add_argument("--only", metavar="NAME", help="cohorts whose name begins so")
    parser.add_argument("--json", action="store_true", help="JSON")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    chosen = [item for item in cohorts(args.seed, args.population) if item[0].startswith(args.only or "")]
    rows = []
    if not args.json:
        print(f"{args.patients} patients (models) a cohort, two eyes each, {args.population}, seed {args.seed}")
        print("share of 95 % intervals that hold the truth, per cent; doubt: eyes within / beyond 0.50 D of the draft")
        print(f"{'':22}eyes" + "".join(f"{part:>9}" for part in PARTS) + "   ±M    ±J0   doubt          ms/answer")
    for name, cohort in chosen:
        row = coverage(name, cohort, args.patients)
        rows.append(row)
        if not args.json:
            print(_line(row), flush=True)
    if args.json:
        print(json.dumps([row.figures() for row in rows]))
        return 0
    honest = [row for row, (_, cohort) in zip(rows, chosen, strict=True) if cohort.kind not in HOSTILE]
    if honest:
        print("\nreliability over the kinds that look at the lenses: stated level, share held")
        for level in LEVELS:
            eyes = max(1, sum(row.stated for row in honest))
            cells = (sum(row.held.get((level, part), 0) for row in honest) / eyes for part in PARTS)
            print(f"  {level:.0%}               " + "".join(f"{cell:9.1%}" for cell in cells))
    return 0


def _line(row: Row) -> str:
    said = row.figures()
    cells = "".join(f"{100 * row.coverage(LEVELS[-1], part):9.1f}" for part in PARTS)
    shares = (said["doubted_inside"], said["doubted_outside"])
    doubt = " / ".join("-" if share is None else f"{share:.0%}" for share in shares)
    known = (said["half_width_m"], said["half_width_j0"])
    widths = "   ".join("   -" if width is None else f"{width:.2f}" for width in known)
    return (
        f"{row.name:22}{row.stated:4}{cells}  {widths}   "
        f"{doubt + ' of ' + str(row.outside):16}{said['ms_an_answer']:.1f}"
    )

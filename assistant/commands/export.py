"""`export DIR`: the prescription in open standards, for other programs and for print."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from ..errors import UserError
from ..record import dicom, fhir
from ..record.dicom_net import send
from ..record.exports import NAMES, guard
from ..record.folder import write_whole
from ..record.posting import post
from ..record.slip import slip
from ..record.summary import Summary, read_summary
from ..record.table import csv_text, exam_folders

_SUFFIXES = {"fhir": ".json", "dicom": "", "pdf": ".pdf"}


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "export",
        help="the prescription as FHIR, DICOM, PDF or CSV",
        description="Write the prescription as a FHIR Bundle, as DICOM objects, as a one-page slip "
        "(PDF) or as a "
        "table (CSV). A draft is marked as one in each. Nothing is sent anywhere unless --post or "
        "--send names where.",
    )
    parser.add_argument("folder", metavar="DIR", type=Path, nargs="?", help="the exam folder")
    parser.add_argument("--to", choices=sorted(NAMES), required=True, help="what to write")
    parser.add_argument(
        "--out",
        metavar="FILE",
        help="where to write (- for standard output; a folder for dicom); by default into the exam folder",
    )
    parser.add_argument("--all", metavar="FOLDER", type=Path, help="every exam in FOLDER; --out is then needed")
    parser.add_argument("--fhir-version", choices=fhir.VERSIONS, default="r4", help="r4 (default) or r5")
    parser.add_argument("--post", metavar="URL", help="fhir: also send it to this FHIR server")
    parser.add_argument("--send", metavar="HOST:PORT", help="dicom: also store it on this server (C-STORE)")
    parser.add_argument("--aet", metavar="TITLE", help="dicom: the server's AE title")
    parser.add_argument("--font", metavar="FILE", type=Path, help="pdf: a TrueType font, for names in other letters")
    parser.set_defaults(run=run, parser=parser)


def run(args: argparse.Namespace) -> int:
    """Export one exam, or all below a folder. Raises UserError naming the exam that could not be exported."""
    if (args.folder is None) == (args.all is None):
        args.parser.error("give an exam folder, or else --all FOLDER")
    for name, kind in (("post", "fhir"), ("send", "dicom"), ("aet", "dicom"), ("font", "pdf")):
        if getattr(args, name) is not None and args.to != kind:
            args.parser.error(f"--{name} goes with --to {kind}")
    if (args.send is None) != (args.aet is None):
        args.parser.error("--send and --aet go together")
    if args.all is not None:
        if args.out is None or args.post or args.send or (args.out == "-" and args.to != "csv"):
            args.parser.error("--all needs --out, a file for csv and a folder for the others, and sends nothing")
        return _export_all(args)
    summary = read_summary(args.folder)
    out = args.out or str(args.folder / NAMES[args.to])
    written = _export(args, args.folder.resolve().name, summary, out)
    for path in written:
        print(path)
    draft = "; it is a draft, not signed" if summary.is_draft else ""
    if args.post:
        sent = fhir.to_json(fhir.bundle(summary, args.fhir_version, transaction=True))
        told = f"Sent to {args.post}: {post(args.post, sent)}{draft}"
        print(told, file=sys.stderr if out == "-" else sys.stdout)
    if args.send:
        send(dicom.objects(summary), args.send, args.aet)
        print(f"Stored on {args.send}{draft}")
    return 0


def _export(args: argparse.Namespace, name: str, summary: Summary, out: str) -> list[Path]:
    if args.to == "dicom":
        if out == "-":
            args.parser.error("--to dicom writes several files: give a folder")
        for path in dicom.paths(Path(out)).values():
            guard(path, "dicom")
        return dicom.write(summary, Path(out))
    content = _content(args, name, summary)
    if out == "-":
        sys.stdout.flush()
        sys.stdout.buffer.write(content)
        sys.stdout.buffer.flush()
        return []
    guard(Path(out), args.to)
    write_whole(Path(out), content)
    return [Path(out)]


def _content(args: argparse.Namespace, name: str, summary: Summary) -> bytes:
    if args.to == "fhir":
        return (fhir.to_json(fhir.bundle(summary, args.fhir_version)) + "\n").encode()
    if args.to == "pdf":
        return slip(summary, args.font)
    return csv_text([(name, summary)]).encode()


def _export_all(args: argparse.Namespace) -> int:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    if not args.all.is_dir():
        raise UserError(f"{args.all} is not a folder: give the folder that holds the exams")
    count = sum(1 for _ in exam_folders(args.all))
    if not count:
        raise UserError(f"{args.all} holds no exam: give the folder that holds the exams")
    failed = 0
    first = ""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    console = Console(stderr=True)
    with _sink(args) as table, Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task("Exporting", total=count)
        for folder in exam_folders(args.all):
            name = folder.relative_to(args.all).as_posix()
            try:
                summary = read_summary(folder)
                if table is not None:
                    table.write(csv_text([(name, summary)], header=False))
                else:
                    out = Path(args.out) / f"{name}{_SUFFIXES[args.to]}"
                    _make(out.parent)
                    _export(args, name, summary, str(out))
            except UserError as error:
                failed += 1
                first = first or str(error)
            progress.advance(task)
    print(f"{count - failed} of {count} exams exported.", file=sys.stderr if args.out == "-" else sys.stdout)
    if failed:
        raise UserError(f"{failed} of {count} exams were not exported; the first: {first}")
    return 0


def _make(folder: Path) -> None:
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise UserError(f"{folder} cannot be made: {error.strerror}. Give a folder you may write to") from None


@contextmanager
def _sink(args: argparse.Namespace) -> Iterator[IO[str] | None]:
    """The open table, for csv; None for the formats that make a file an exam."""
    if args.to != "csv":
        yield None
        return
    if args.out == "-":
        sys.stdout.write(csv_text([]))
        yield sys.stdout
        return
    out = Path(args.out)
    guard(out, "csv")
    beside = out.with_name(f".{out.name}.part")
    try:
        with open(beside, "w", encoding="utf-8", newline="", opener=_private) as table:
            table.write(csv_text([]))
            yield table
        beside.replace(out)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise UserError(f"{out} cannot be written: {error.strerror}. Give a file you may write") from None


def _private(name: str, flags: int) -> int:
    import os

    return os.open(name, flags, 0o600)

"""`exam`: refract a patient, heard through a microphone, from typed lines, or from a recording."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack, suppress
from dataclasses import replace
from datetime import date, datetime
from io import FileIO
from pathlib import Path
from queue import Empty, SimpleQueue
from threading import Thread
from typing import IO, TYPE_CHECKING, Any

from .. import __version__
from ..errors import UserError
from ..protocol.meanings import Speaker
from ..protocol.start import PACES, Road, StartError, When
from ..record.events import Event
from ..record.folder import ExamFolder, keep_exams_whole
from ..record.starts import read_start, start_from_dict
from ..session import Session
from ..settings import merged, read_settings
from ..stopping import ended_as_by_ctrl_c
from ..watching import Conversation

if TYPE_CHECKING:
    from ..record.dicom_net import Appointment

LONGEST_CODE = 64  # characters: a Patient ID of DICOM
MOST_SHOWN = 20  # of the patients on a worklist
LOOK_AGAIN = 0.2  # seconds between looks at whether Ctrl-C was pressed while lines are waited for
MOST_SECONDS = 3600.0  # of silence before an utterance that a line may tell of


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "exam",
        help="refract a patient",
        description="Follows the refraction: hears the answers and commands, says the next lens change, writes "
        "everything down. Ends with the draft prescription and the exam folder.",
    )
    add_listening(parser)
    parser.add_argument("--out", metavar="DIR", type=Path, help="the exam folder to make (exams/ and the time)")
    parser.add_argument("--start", metavar="FILE", type=Path, help="a starting point: old glasses, autorefraction ...")
    parser.add_argument(
        "--patient", metavar="CODE", help="the patient's code, no name; with --worklist, the one to be found there"
    )
    parser.add_argument(
        "--worklist", metavar="HOST:PORT", help="ask this DICOM modality worklist for the patient's code (C-FIND)"
    )
    parser.add_argument("--aet", metavar="TITLE", help="the worklist server's AE title")
    parser.add_argument("--accession", metavar="NUMBER", help="the accession number to be found on the worklist")
    add_manner(parser)
    parser.add_argument(
        "--asks",
        choices=("examiner", "assistant"),
        default="examiner",
        help="who puts the questions (examiner)",
    )
    parser.set_defaults(run=run, parser=parser)


def default_folder() -> Path:
    """exams/ and the local time: sorts by day, and says nothing of the patient."""
    time = datetime.now().strftime("%Y-%m-%d-%H%M%S")
    names = (time, *(f"{time}-{number}" for number in range(2, 100)))  # more than one exam may begin in a second
    return next((folder for name in names if not (folder := Path("exams") / name).exists()), Path("exams") / time)


def run(args: argparse.Namespace) -> int:
    if (args.worklist is None) != (args.aet is None):
        args.parser.error("--worklist and --aet go together")
    if args.accession is not None and args.worklist is None:
        args.parser.error("--accession goes with --worklist")
    settings = read_settings(args.settings)
    for key, value in settings.listening.items():
        if getattr(args, key) is None:
            setattr(args, key, Path(value) if key == "model" else value)
    start: dict[str, Any] = {}
    notes: list[str] = []
    if args.start is not None:
        start, notes = read_start(args.start)
    start = merged(settings.start, start, told_manner(args))
    try:
        start_from_dict(start)
    except StartError as error:
        raise UserError(f"{error}{_begin_hint(args)}") from None
    appointment = None if args.worklist is None else _of_worklist(args)
    start |= _told_patient(args.patient if appointment is None else appointment.patient, start.get("patient"))
    header = {
        "version": __version__,
        "start": start,
        "listen": args.listen if args.listen in ("mic", "text") else "recording",
        "asks": args.asks,
    }
    if appointment is not None:
        header["appointment"] = {"accession": appointment.accession, "study": appointment.study}

    def create(heard_by: Mapping[str, str]) -> ExamFolder:
        for note in notes:
            print(f"start: {note}", file=sys.stderr)
        return ExamFolder.create(args.out or default_folder(), header={**header, **heard_by})

    return conduct(args, create, start, args.asks, Session.begin)


def _told_patient(code: str | None, known: Any) -> dict[str, str]:
    """The patient's code, as the options or the worklist say it; nothing where neither does.

    Raises UserError where it is not the one that is `known` of the start file: one of the two is another patient's.
    """
    if code is None:
        return {}
    if not code.strip() or len(code) > LONGEST_CODE or not code.isprintable():
        raise UserError(f"--patient: {code!r} is no code: 1 to {LONGEST_CODE} printable characters")
    if known is not None and str(known) != code:
        raise UserError(f"the start file is of patient {known}, not {code}: give the file of this patient")
    return {"patient": code}


def _of_worklist(args: argparse.Namespace) -> Appointment:
    """The patient's appointment; without number and study where there are several, for no one can tell which."""
    from ..record.dicom_net import ask_worklist

    # Whoever is named by code or number may have been scheduled for another day.
    day = date.today() if args.patient is None and args.accession is None else None
    waiting = ask_worklist(args.worklist, args.aet, day, args.patient, args.accession)
    patients = {step.patient for step in waiting}
    if not patients:
        where = "for today" if day is not None else "with this code or number"
        raise UserError(f"{args.worklist} has nobody {where}: say --patient CODE without --worklist, or nothing")
    if len(patients) > 1:
        for step in waiting[:MOST_SHOWN]:
            print(step, file=sys.stderr)
        more = f" (the first {MOST_SHOWN} of {len(waiting)} are above)" if len(waiting) > MOST_SHOWN else ""
        raise UserError(f"{len(patients)} patients are on the worklist{more}: choose by --accession or --patient")
    if "" in patients:
        raise UserError(f"{args.worklist}: {waiting[0]}: say --patient CODE without --worklist")
    if len({(step.accession, step.study) for step in waiting}) == 1:
        print(f"worklist: patient {waiting[0]}", file=sys.stderr)
        return waiting[0]
    numbers = ", ".join(step.accession or "one without a number" for step in waiting)
    told = f"patient {waiting[0].patient} is on it for {numbers}: the exam is filed under none; --accession chooses one"
    print(f"worklist: {told}", file=sys.stderr)
    return replace(waiting[0], accession="", study="")


def add_manner(parser: argparse.ArgumentParser) -> None:
    """The options that say how the exam is to run; they go above the settings and the start file."""
    parser.add_argument(
        "--road",
        choices=tuple(road.value for road in Road),
        help="how much is gone through: all, refine a starting lens, recheck its sphere, or near alone (full)",
    )
    parser.add_argument("--eye", choices=("right", "left"), help="one eye alone (both)")
    parser.add_argument("--near", choices=tuple(when.value for when in When), help="the add (auto: from 40 years)")
    parser.add_argument("--balance", choices=("on", "off"), help="balance both eyes (off)")
    parser.add_argument("--duochrome", choices=("on", "off"), help="red-green check of each eye (off)")
    parser.add_argument("--intake", choices=("on", "off"), help="ask everything of setting up (off: age and PD)")
    parser.add_argument("--power-by", choices=("dial", "cross"), help="the cylinder's power (dial)")
    parser.add_argument(
        "--pace", choices=PACES, help="by the book, or evidence: each step shows the pair that tells most (book)"
    )
    parser.add_argument("--cylinders", choices=("minus", "plus"), help="of the refractor head (minus)")
    parser.add_argument("--vertex", metavar="MM", type=float, help="vertex distance")
    parser.add_argument("--settings", metavar="FILE", type=Path, help="a settings file (the usual one)")


def told_manner(args: argparse.Namespace) -> dict[str, Any]:
    """What the options say of the exam's manner, as a start dict."""
    manner: dict[str, Any] = {}
    for key in ("road", "near", "power_by", "pace"):
        if getattr(args, key) is not None:
            manner[key] = getattr(args, key)
    for key in ("balance", "duochrome", "intake"):
        if getattr(args, key) is not None:
            manner[key] = getattr(args, key) == "on"
    if args.eye is not None:
        manner["eyes"] = [args.eye]
    if args.cylinders is not None:
        manner["instrument"] = {"cylinders": args.cylinders}
    told: dict[str, Any] = {"manner": manner} if manner else {}
    if args.vertex is not None:
        told["vertex"] = args.vertex
    return told


def _begin_hint(args: argparse.Namespace) -> str:
    return ": give one with --start FILE" if args.start is None and args.road not in (None, "full") else ""


def add_listening(parser: argparse.ArgumentParser) -> None:
    """The options of every command that holds an exam: what it listens to, and what it gives out."""
    parser.add_argument("--listen", metavar="mic|text|FILE.wav", default="mic", help="what to listen to (mic)")
    parser.add_argument(
        "--microphone", metavar="NAME", help="the microphone, or the examiner's: its name or a part of it (default one)"
    )
    parser.add_argument("--patient-microphone", metavar="NAME", help="the patient's own, where there is one (none)")
    parser.add_argument(
        "--channels",
        choices=("one", "two"),
        help="two: the first channel is the examiner's microphone, the second the patient's (of a recording: as it is)",
    )
    parser.add_argument("--speak", choices=("aloud", "off"), help="say the prompts (aloud with mic, else off)")
    parser.add_argument("--events", metavar="-|FILE", help="every event as a JSON line; - for standard output")
    parser.add_argument("--engine", help="the recogniser (the embedded one)")
    parser.add_argument("--model", metavar="DIR", type=Path, help="its model (the packaged one)")


def conduct(
    args: argparse.Namespace,
    open_folder: Callable[[Mapping[str, str]], ExamFolder],
    start: dict[str, Any],
    asks: str,
    begin: Callable[[Session], None],
) -> int:
    """Hold an exam: listen to what `args` say, write to the folder that `open_folder` opens, and `begin` it.

    `open_folder` is given what is to be known of the recogniser (engine and model; nothing where lines are
    typed). Everything that can fail for want of a file or a model fails before it is called.
    """
    from ..record.report import build_all
    from .hear import grammars

    listen = args.listen
    if listen not in ("mic", "text") and not Path(listen).is_file():
        raise UserError(f"{listen} is not there: give mic, text, or a recording (WAV or FLAC)")
    live_grammars = grammars()
    with ExitStack() as stack:
        stack.enter_context(ended_as_by_ctrl_c())
        machine_reads = args.events == "-"
        screen = Outlet(json_lines(stack, "-") if machine_reads else Conversation(sys.stdout))
        outlets = [screen]
        mouth = None
        if args.speak == "aloud" or (args.speak is None and listen == "mic"):
            from ..aloud import open_mouth

            mouth = open_mouth(stack)
        listener: Callable[[Session, ExamFolder], None]
        heard_by: dict[str, str] = {}
        if listen == "text":
            listener = listen_to_lines(typed_lines(sys.stdin), lambda: screen.error is not None)
        else:
            from ..hearing.engines import load
            from ..listening import Desk, listen_to_microphone, listen_to_recording

            recogniser = load(args.engine, args.model)
            heard_by = {"engine": recogniser.name, "model": recogniser.model}
            if listen == "mic":
                desk = Desk(args.microphone, args.patient_microphone, args.channels == "two")
                keys = Keyboard(sys.stdin.fileno()) if sys.stdin is not None and sys.stdin.isatty() else lambda: None
                listener = listen_to_microphone(recogniser, desk, mouth, keys)
            else:
                two = None if args.channels is None else args.channels == "two"
                listener = listen_to_recording(recogniser, Path(listen), two)
        if args.events is not None and not machine_reads:
            outlets.append(Outlet(json_lines(stack, args.events), args.events))
        folder = stack.enter_context(open_folder(heard_by))
        session = Session(
            live_grammars, start_from_dict(start), folder=folder, watch=tuple(outlets), speak=mouth, asks=asks
        )
        try:
            begin(session)
            if not session.over:
                listener(session, folder)
        finally:
            session.close()
            build_all(folder.path)
            if not machine_reads and screen.error is None:  # however it ended: go on from there by resume
                print(f"\nExam folder: {folder.path}")
        if mouth is not None:
            mouth.finish()
        for outlet in outlets:
            outlet.complain(folder)
    return 0


class Outlet:
    """A watcher that may fail - its reader has gone, its disk is full - without taking the exam with it.

    `error` is what it failed with; nothing more is sent to it then. `name` is its file; None: standard output.
    """

    def __init__(self, watcher: Callable[[Event], None], name: str | None = None) -> None:
        self._watcher = watcher
        self._name = name
        self.error: OSError | None = None

    def __call__(self, event: Event) -> None:
        if self.error is None:
            try:
                self._watcher(event)
            except OSError as error:
                self.error = error

    def complain(self, folder: ExamFolder) -> None:
        """Once everything is kept: raise what it failed with, if it did."""
        if self.error is None:
            return
        if self._name is None:
            raise self.error
        raise UserError(f"{self._name} cannot be written: {self.error.strerror}. The exam is whole in {folder.path}")


def json_lines(stack: ExitStack, where: str) -> Callable[[Event], None]:
    """A watcher that writes each event as one JSON line (ASCII, so in any encoding), flushed at once."""
    if where == "-":

        def tell(event: Event) -> None:
            sys.stdout.write(json.dumps(event) + "\n")
            sys.stdout.flush()

        return tell
    keep_exams_whole(Path(where), "--events")
    try:
        file = stack.enter_context(FileIO(where, "w"))  # unbuffered: each event is out at once
    except OSError as error:
        raise UserError(f"{where} cannot be written: {error.strerror}. Give a file you may write") from None

    def write(event: Event) -> None:
        file.write(json.dumps(event).encode() + b"\n")

    return write


def typed_lines(typed: IO[str]) -> Iterator[str]:
    """Lines as they come, in UTF-8 whatever the system's own encoding; bytes that are none become U+FFFD."""
    raw = getattr(typed, "buffer", None)
    if raw is None:
        yield from typed
        return
    try:
        source = typed.fileno()
    except OSError:  # no file
        yield from (line.decode("utf-8", "replace") for line in raw)
        return
    yield from Keyboard(source).lines()


class Keyboard:
    """Lines typed while something else is listened to, one for each call, or None: nobody waits for them."""

    def __init__(self, source: int) -> None:
        """`source`: the file descriptor they come from."""
        self._lines: SimpleQueue[str | None] = SimpleQueue()  # None: there will be no more
        Thread(target=self._read, args=(source,), daemon=True).start()

    def __call__(self) -> str | None:
        try:
            return self._lines.get_nowait()
        except Empty:
            return None

    def lines(self) -> Iterator[str]:
        """Wait for each line until there are no more.

        A signal that comes just before a read is waited for would be heeded after that line only; here it is in time.
        """
        while True:
            with suppress(Empty):
                line = self._lines.get(timeout=LOOK_AGAIN)
                if line is None:
                    return
                yield line

    def _read(self, source: int) -> None:
        # Not through sys.stdin: a thread that waits within it would keep the program from ending.
        begun: list[bytes] = []
        try:
            while more := os.read(source, 65536):
                *ended, rest = more.split(b"\n")
                for line in ended:
                    self._lines.put(b"".join((*begun, line)).decode("utf-8", "replace"))
                    begun = []
                begun.append(rest)
            if any(begun):
                self._lines.put(b"".join(begun).decode("utf-8", "replace"))
        except OSError:
            pass  # the terminal has gone (EIO), and whoever typed did not end the line
        self._lines.put(None)


def listen_to_lines(
    lines: Iterable[str], gone: Callable[[], bool] = lambda: False
) -> Callable[[Session, ExamFolder], None]:
    """Utterances typed one a line: plain words, or JSON with `say`, `by` and `after`.

    `gone`: nobody sees the questions any more, so no more answers are waited for.
    """

    def listen(session: Session, folder: ExamFolder) -> None:
        for line in lines:
            say, by, after = read_line(line)
            session.take(session.typed(say, by, after))
            if session.over or gone():  # before the next line is waited for: whoever types may be waiting for the end
                break

    return listen


def read_line(line: str) -> tuple[str, Speaker | None, float | None]:
    """(words, who said them, seconds of silence before) of one line; anything that is not such JSON is plain words."""
    text = line.strip()
    if not text.startswith("{"):
        return text, None, None
    try:
        held = json.loads(text)
    except (ValueError, RecursionError):
        return text, None, None
    if not isinstance(held, dict):
        return text, None, None
    say, by, after = held.get("say") or "", held.get("by"), held.get("after")
    if not isinstance(say, str):
        say = text  # kept as it stands: no words anybody said
    speaker = Speaker(by) if by in ("patient", "examiner") else None
    seconds = None
    if isinstance(after, (int, float)) and not isinstance(after, bool) and 0 <= after <= MOST_SECONDS:
        seconds = float(after)
    # Half a surrogate pair is no letter: nothing could write it.
    return say.encode("utf-8", "replace").decode(), speaker, seconds

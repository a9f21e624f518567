"""`amend DIR`: correct a wrong hearing, or change the prescription by hand. The log keeps both."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..errors import UserError
from ..grammar import wording
from ..optics.transpose import written
from ..protocol.effects import Flag
from ..protocol.questions import AcuityQuestion, Choice, Confirm, Legible, Question, Value
from ..record.amending import amended_hearing, meaning_of, prescription_by_hand, value_of
from ..record.events import Event, Words, event
from ..record.exports import told_stale
from ..record.folder import ExamFolder, log_of
from ..record.log import Log
from ..record.prescription import eye_written, last_prescription, signature_in_force
from ..record.replay import corrections, replay
from ..record.report import build_all
from ..record.verifying import verify_folder


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "amend",
        help="correct a wrong hearing; the log keeps both",
        description="With --event and --meaning: note what was really said, and see what would have "
        "followed; the prescription stays as it is. With --right, --left or --pd: change the prescription by "
        'hand, for example --right="-1.25 -0.50 x 090 add +2.00 20/20". A signed prescription needs a new '
        "signature after either.",
    )
    parser.add_argument("folder", metavar="DIR", type=Path, help="the exam folder")
    parser.add_argument("--event", metavar="N", type=int, help="seq of the heard event to correct")
    parser.add_argument("--meaning", metavar="M", help="what it meant, such as first, second, same, set_axis")
    parser.add_argument("--value", metavar="V", help="its number, in dioptres, degrees or millimetres")
    parser.add_argument("--right", metavar="RX", help="the right eye's prescription, by hand")
    parser.add_argument("--left", metavar="RX", help="the left eye's prescription, by hand")
    parser.add_argument("--pd", metavar="MM", type=float, help="the interpupillary distance, by hand")
    parser.add_argument("--reason", metavar="TEXT", default="", help="why")
    parser.add_argument("--by", metavar="NAME", default="", help="who corrects it")
    parser.set_defaults(run=run, parser=parser)


def run(args: argparse.Namespace) -> int:
    """Append the amendment and print what it means. Raises UserError where the record does not hold."""
    hearing = args.event is not None or args.meaning is not None or args.value is not None
    by_hand = args.right is not None or args.left is not None or args.pd is not None
    if hearing == by_hand or (hearing and (args.event is None or args.meaning is None)):
        args.parser.error("give --event and --meaning, or else --right, --left or --pd")
    verdict = verify_folder(args.folder)
    if verdict.problems:
        raise UserError(f"not amended, for the record does not hold: {verdict.problems[0]}. Run verify on the folder")
    raised: tuple[Flag, ...] = ()
    with ExamFolder.resume(args.folder) as folder:
        log = folder.recovered
        was_signed = signature_in_force(log.events) is not None
        if hearing:
            meaning = meaning_of(args.meaning)
            value = value_of(meaning, args.value)
            made = amended_hearing(log, args.event, meaning, value, args.reason, args.by)
        else:
            eyes = {eye: text for eye, text in (("right", args.right), ("left", args.left)) if text is not None}
            made, raised = prescription_by_hand(log, eyes, args.pd, args.reason, args.by)
        folder.append(made)
        for flag in raised:
            folder.append(event(flag, Words(wording.flag(flag))))
    if hearing:
        _show_hearing(corrections(log.events).get(args.event, log.events[args.event]), made)
        _show_replay(log_of(args.folder))
    else:
        _show_by_hand(log, made)
        for flag in raised:
            print(f"Caution: {wording.flag(flag)}")
    if was_signed:
        print("It was signed before this amendment: it is a draft again until it is signed anew.")
    build_all(args.folder)
    if told := told_stale(args.folder, log_of(args.folder)):
        print(f"{told[0].upper()}{told[1:]}.")
    return 0


def _show_hearing(held: Event, made: Event) -> None:
    def meant(event: Event) -> str:
        value = "" if event.get("value") is None else f" {event['value']}"
        return f"{event['meaning'] or 'nothing'}{value}"

    accepted = "" if held["accepted"] else " (not accepted)"
    was = f"was {meant(held)}{accepted}, now {meant(made)}"
    print(f"Event {made['amends']}, {held['text']!r}: {was}. The log keeps both.")


def _show_replay(log: Log) -> None:
    outcome = replay(log)
    prescription = last_prescription(log.events)
    if outcome.parted is not None:
        print(
            f"From event {outcome.parted['seq']} on the exam would have gone another way: it would have "
            f"{'been over' if outcome.would_ask is None else 'asked ' + describe(outcome.would_ask)}."
        )
        print(
            f"The {outcome.left_out} answers from there were given to other questions, so they tell "
            f"nothing about what "
            "would have followed. Measure that part again, or change the prescription by hand (--right, "
            "--left)."
        )
    elif outcome.prescription is None:
        print("The exam would have gone the same way, and has no prescription yet.")
    else:
        replayed = event(outcome.prescription)
        before = prescription or replayed
        for eye in ("right", "left"):
            now, then = eye_written(replayed[eye]), eye_written(before[eye])
            print(f"{eye:<6} {now}" + ("  (as it stands)" if now == then else f"  (it stands at {then})"))
        print("That is what would have followed. The prescription was not changed; to take it over: --right, --left.")


def describe(question: Question) -> str:
    """A question in the trade's terms, for someone reading the record."""
    where = f"{question.eye} eye" if question.eye.value != "both" else "both eyes"
    match question:
        case Choice():
            crosses = [lens.cross for lens in (question.first, question.second)]
            if crosses[0] is not None and crosses[1] is not None:
                pair = (
                    f"cross cylinder with its minus axis at {crosses[0].minus_axis} or "
                    f"{crosses[1].minus_axis}, "
                    f"before {written(question.first)}"
                )
            else:
                pair = f"{written(question.first)} or {written(question.second)}"
            return f"{where}, {question.step}: {pair}"
        case Legible():
            lens = written(question.lens)
            return f"{where}, {question.step}: whether {question.line} can be read through {lens}"
        case AcuityQuestion():
            return f"{where}, {question.step}: the smallest line read through {written(question.lens)}"
        case Value():
            return f"{where}: {question.of}"
        case Confirm():
            return f"{where}: to confirm the {question.what}"


def _show_by_hand(log: Log, made: Event) -> None:
    before = last_prescription(log.events)
    assert before is not None  # prescription_by_hand refuses without one
    for eye in ("right", "left"):
        if eye in made["by_hand"]["changed"]:
            print(f"{eye:<6} {eye_written(made[eye])}  (was {eye_written(before[eye])})")
    if "pd" in made["by_hand"]["changed"]:
        print(f"PD     {made['pd']:g} mm  (was {before.get('pd')})")
        if made.get("near_pd") != before.get("near_pd"):
            print(f"near   {made['near_pd']:g} mm (reckoned)  (was {before.get('near_pd')})")
    print("The draft prescription is changed; the log keeps the one before it.")

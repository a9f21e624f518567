"""`bench microphones`: two microphones in one room, and what an examiner says while showing lenses.

For each recorded "one" or "two" of a corpus a turn is played: the examiner, by another speaker's recordings, says "one"
and a moment later "two", as when flipping lenses; then the patient answers by the recording. Each voice reaches the
other's microphone too, weaker, later and with the room's ringing. What the exam takes for an answer is counted.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from random import Random
from typing import Any

from ..errors import UserError
from ..hearing.engines import NAMES, load
from ..hearing.recogniser import Recogniser
from ..listening import CHUNK, Ear
from ..protocol.meanings import Meaning, Speaker
from ..protocol.questions import Choice
from ..record.events import Event
from ..record.starts import start_from_dict
from ..session import Session
from ..speaking.conversation import Turn, render_conversation
from .bench_hearing import Clip, corpus, interval
from .bench_latency import LINES, START
from .hear import grammars

MEANT = {"one": Meaning.FIRST.value, "two": Meaning.SECOND.value}
FLIP = 1.6  # seconds from one lens's name to the other's: a flip, and a look
LOOK = 1.0  # from the second lens's name to the answer
CROSSTALK = -10.0  # decibels
COUNTED = ("played", "right", "swapped", "asked_again", "lens_named", "named_as_answer")
EXAMINERS = 4  # so many of the corpus's speakers are examiners, by turns


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "microphones",
        help="two microphones: whether the examiner's own “one” and “two” are kept out of the answers",
        description="Plays human recordings of “one” and “two” as an examiner's and a patient's into two microphones "
        "with cross-talk, and prints what the exam took for an answer.",
    )
    parser.add_argument("--corpus", metavar="DIR", type=Path, required=True, help="recordings with a manifest.tsv")
    parser.add_argument("--crosstalk", metavar="DB", type=float, default=CROSSTALK, help="(%(default)s)")
    parser.add_argument("--every", metavar="N", type=int, default=1, help="only each N-th answer (1)")
    parser.add_argument("--engine", choices=NAMES, help="the recogniser (the embedded one)")
    parser.add_argument("--model", metavar="DIR", type=Path, help="its model (the packaged one)")
    parser.add_argument("--json", action="store_true", help="one JSON object")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Measure and print; takes a second or two an answer. Raises UserError."""
    clips = [clip for clip in corpus(args.corpus) if clip.text in MEANT]
    examiners = both_words(clips)[:EXAMINERS]
    if not examiners:
        raise UserError(f"{args.corpus}: no speaker says both “one” and “two”. Give a corpus with such recordings")
    counts = taken(clips[:: args.every], examiners, load(args.engine, args.model), args.crosstalk)
    played = counts["played"]
    report: dict[str, Any] = {
        "crosstalk_db": args.crosstalk,
        **{name: counts[name] for name in COUNTED},
    }
    report["right_95"] = interval(counts["right"], played)
    report["named_as_answer_95"] = interval(counts["named_as_answer"], counts["lens_named"])
    if args.json:
        print(json.dumps(report))
        return 0
    print(f"two microphones, cross-talk {args.crosstalk:g} dB; {played} answers, {counts['lens_named']} lenses named")
    for name, count, of in (
        ("answers right", counts["right"], played),
        ("answers swapped", counts["swapped"], played),
        ("asked again", counts["asked_again"], played),
        ("examiner's words taken for answers", counts["named_as_answer"], counts["lens_named"]),
    ):
        low, high = interval(count, of)
        print(f"{name:<35} {count:>4} of {of:<4} {100 * count / of:5.1f} %  ({100 * low:.1f} to {100 * high:.1f})")
    return 0


def both_words(clips: Sequence[Clip]) -> list[dict[str, Clip]]:
    """For each speaker who says both words: one recording of each, in the corpus's order."""
    said: dict[str, dict[str, Clip]] = {}
    for clip in clips:
        said.setdefault(clip.speaker, {}).setdefault(clip.text, clip)
    return [words for words in said.values() if len(words) == len(MEANT)]


def taken(
    answers: Sequence[Clip], examiners: Sequence[dict[str, Clip]], recogniser: Recogniser, crosstalk: float
) -> Counter[str]:
    """What an exam that stands at a pair of lenses takes for answers, counted."""
    events: list[Event] = []
    session = Session(grammars(), start_from_dict(START), watch=(events.append,))
    session.begin()
    for line in LINES:
        if not isinstance(session.question, Choice):
            session.take(session.typed(line, Speaker.PATIENT))
    stands_at = session.question
    assert isinstance(stands_at, Choice)
    ear = Ear(session, recogniser, two=True)
    counts: Counter[str] = Counter()
    for number, (clip, turns) in enumerate(_turns(answers, examiners)):
        sound = render_conversation(turns, channels=2, crosstalk=crosstalk, seed=number).samples
        events.clear()
        for begin in range(0, len(sound), CHUNK):
            ear.push(sound[begin : begin + CHUNK])
        used = [e for e in events if e["kind"] == "heard" and e["used"] and e["meaning"] != Meaning.QUESTION.value]
        counts["played"] += 1
        counts["lens_named"] += len(turns) - 1
        # Who answered is told by the channel: whatever is taken from the examiner's is an error of this kind.
        counts["named_as_answer"] += sum(e["by"] == Speaker.EXAMINER.value for e in used)
        own = [e["meaning"] for e in used if e["by"] != Speaker.EXAMINER.value]
        counts["named_as_answer"] += max(0, len(own) - 1)  # one answer was given: another one was the examiner's
        counts["right" if own[-1:] == [MEANT[clip.text]] else "swapped" if own else "asked_again"] += 1
        while session.question != stands_at:
            session.take(session.typed("undo"))
    return counts


def _turns(answers: Sequence[Clip], examiners: Sequence[dict[str, Clip]]) -> Iterator[tuple[Clip, list[Turn]]]:
    chance = Random(1)
    for number, clip in enumerate(answers):
        others = [words for words in examiners if words["one"].speaker != clip.speaker]
        examiner = (others or list(examiners))[number % len(others or examiners)]
        pause = chance.uniform(0.0, 0.5)
        yield (
            clip,
            [
                Turn(examiner["one"].audio, pause, "examiner"),
                Turn(examiner["two"].audio, FLIP, "examiner"),
                Turn(clip.audio, LOOK, "patient"),
            ],
        )

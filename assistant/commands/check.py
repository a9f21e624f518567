"""`check`: what is installed and working - models, grammar words, voices, microphones - with the fix for each fault."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from .. import __version__
from ..data import folder
from ..errors import UserError


@dataclass(frozen=True)
class Finding:
    """One thing looked at. `works` None: not there, and not needed for an exam by the packaged engine."""

    what: str
    works: bool | None
    says: str


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = subparsers.add_parser(
        "check",
        help="what is installed and working, and the fix for each fault",
        description="Looks at models, grammars, voices and sound devices, and listens to a built-in recording.",
    )
    parser.add_argument("--engine", help="the recogniser to look at (the embedded one)")
    parser.add_argument("--model", metavar="DIR", type=Path, help="its model (the packaged one)")
    parser.add_argument("--json", action="store_true", help="JSON, one line a finding")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Exit code 1 where something an exam needs does not work."""
    failed = False
    for finding in findings(args.engine, args.model):
        failed |= finding.works is False
        if args.json:
            print(json.dumps(asdict(finding)), flush=True)
        else:
            mark = {True: "works", False: "FAULT", None: "absent"}[finding.works]
            print(f"{mark:6}  {finding.what:12}  {finding.says}", flush=True)
    return 1 if failed else 0


def findings(engine: str | None, model: Path | None) -> Iterator[Finding]:
    """What there is, in the order an exam needs it."""
    version = f"{__version__}, Python {sys.version_info.major}.{sys.version_info.minor}.{sys.version_info.micro}"
    yield Finding("program", True, version)
    yield from _tried("grammars", _grammars)
    yield from _tried("engine", lambda: _engine(engine, model))
    yield from _tried("self-test", lambda: _self_test(engine, model))
    yield from _tried("voice", _voice)
    # Without a sound device an exam can still be held by text or from a recording.
    yield from _tried("loudspeaker", _loudspeakers, needed=False)
    yield from _tried("microphone", _microphones, needed=False)


def _tried(what: str, look: Callable[[], str], needed: bool = True) -> Iterator[Finding]:
    try:
        yield Finding(what, True, look())
    except (UserError, RuntimeError, OSError, ValueError) as error:
        yield Finding(what, False if needed else None, str(error))


def _grammars() -> str:
    from .hear import grammars

    linked = grammars()
    names = list(linked.names)
    words: set[str] = set()
    for name in names:
        words |= linked.get(name).words()
    return f"{len(names)} listening states ({', '.join(names)}), {len(words)} words"


def _engine(engine: str | None, model: Path | None) -> str:
    from ..hearing.engines import load

    loaded = load(engine, model)
    says = f"{loaded.name}, model {loaded.model}"
    if engine in (None, "whisper"):
        from ..hearing.whisper import packaged_model, sha256

        weights = (model or packaged_model()) / "model.bin"
        says += f", SHA-256 {sha256(weights)}"
    return says


def _self_test(engine: str | None, model: Path | None) -> str:
    """Two built-in recordings, "one" and "two", heard as an exam would hear them."""
    from ..hearing.audio import read, spoken
    from ..hearing.engines import load
    from .hear import grammars

    clips = json.loads((folder("demo_audio") / "manifest.json").read_text("utf-8"))["clips"]
    loaded, grammar = load(engine, model), grammars().get("choice")
    heard = []
    for meaning in ("first", "second"):
        clip = next(clip for clip in clips if clip["meaning"] == meaning and clip.get("clear", True))
        speech = spoken(read(folder("demo_audio") / clip["file"]))
        result = None if speech is None else loaded.hear(speech, grammar)
        if result is None or not result.accepted or str(result.meaning) != meaning:
            raise UserError(
                f"the built-in recording {clip['file']} ({clip['words']!r}) was not heard as {meaning}: "
                "install the package again, or use another model"
            )
        heard.append(clip["words"])
    return f"heard {' and '.join(repr(words) for words in heard)} as they were said"


def _voice() -> str:
    from ..speaking.voice import Voice

    voice = Voice()
    voice.render("ready")  # the engine starts with the first prompt
    begun = time.perf_counter()
    speech = voice.render("Right eye: sphere, two clicks of minus, to minus one point five zero.")
    return f"speaks (a prompt {speech.seconds:.1f} s long was ready in {time.perf_counter() - begun:.2f} s)"


def _loudspeakers() -> str:
    from ..speaking.device import output_names

    names = output_names()
    if not names:
        raise UserError("no loudspeaker found: plug one in and start again; prompts are shown as text meanwhile")
    return ", ".join(names)


def _microphones() -> str:
    from ..hearing.microphone import input_names

    names = input_names()
    if not names:
        raise UserError("no microphone found: plug one in and start again; exams by text or recording work meanwhile")
    return ", ".join(names)

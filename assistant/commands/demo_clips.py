"""The demonstration's clips: what its invented patient and examiner can say, each a short recording.

manifest.json in demo_audio/ lists them. A clip is chosen by what it means, never by its words.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from typing import Any

from ..data import folder
from ..errors import UserError
from ..hearing.audio import read
from ..hearing.recogniser import Samples
from ..patients.patient import Reply
from ..protocol.meanings import Meaning
from ..protocol.questions import Question, Value

MANIFEST = "manifest.json"
ANSWER, QUESTION, COMMAND = "answer", "question", "command"
PRESENTING = "presenting"  # the examiner names a lens while showing it
CHATTER, NOISE = "chatter", "noise"
KINDS = (ANSWER, QUESTION, COMMAND, PRESENTING, CHATTER, NOISE)


@dataclass(frozen=True)
class Clip:
    """One recording, as the manifest lists it.

    file     path within demo_audio/
    who      "examiner", "patient", or "" for a noise
    voice    which of the manifest's voices
    kind     one of KINDS
    words    as they are said
    meaning  what is meant, None for chatter and noises; `value` as in `protocol.meanings.Heard`
    asks     the form of question it asks or answers ("choice", "legible", "acuity", "confirm", "age", "pd")
    hedged   said with hesitation
    clear    False where it is mumbled, too quiet or covered on purpose, so that it has to be asked for again
    """

    file: str
    who: str
    voice: str
    kind: str
    words: str
    meaning: Meaning | None = None
    value: int | float | str | None = None
    asks: str | None = None
    hedged: bool = False
    clear: bool = True


class Clips:
    """All clips, and the choice among them.

    sound   gives a clip's samples (mono, 16 kHz); replaced in tests
    """

    def __init__(self, clips: Sequence[Clip], sound: Callable[[Clip], Samples], chance: Random) -> None:
        self.all = tuple(clips)
        self.sound = sound
        self._chance = chance
        self._last: dict[object, Clip] = {}

    @staticmethod
    def load(voice: str | None = None, seed: int = 0, where: Path | None = None) -> Clips:
        """The clips with one patient's voice (None: the first one listed). Raises UserError."""
        where = where or _folder()
        clips = read_manifest(where)
        voices = patient_voices(clips)
        if voice is not None and voice not in voices:
            raise UserError(f"no patient has the voice {voice}: give one of {', '.join(voices)}")
        chosen = voice or voices[0]
        kept = [clip for clip in clips if clip.who != "patient" or clip.voice == chosen]
        made: dict[str, Samples] = {}

        def sound(clip: Clip) -> Samples:
            if clip.file not in made:
                made[clip.file] = read(where / clip.file)
            return made[clip.file]

        return Clips(kept, sound, Random(seed))

    def answer(self, reply: Reply, question: Question) -> Clip:
        """A clear take of what is answered to a question, another one than last time where there are several.

        Raises UserError for what no clip says.
        """
        if reply.meaning is None:
            return self._take([clip for clip in self.all if clip.kind == CHATTER and clip.who == "patient"])
        same = self._saying(reply, question, clear=True)
        if not same:
            raise UserError(f"no clip of the demonstration says “{reply.text}”: install the package again")
        return self._take([clip for clip in same if clip.hedged is reply.hedged] or same)

    def unclear(self, reply: Reply, question: Question) -> Clip | None:
        """A take of an answer that cannot be made out, or None where there is none."""
        same = self._saying(reply, question, clear=False)
        return self._take(same) if same else None

    def _saying(self, reply: Reply, question: Question, clear: bool) -> list[Clip]:
        return [
            clip
            for clip in self.all
            if clip.kind == ANSWER
            and clip.asks == form_of(question)
            and clip.meaning is reply.meaning
            and clip.value == reply.value
            and clip.clear is clear
        ]

    def question(self, question: Question) -> Clip | None:
        """The examiner's question to the patient, or None where nobody is asked (a confirmation)."""
        fitting = [clip for clip in self.all if clip.kind == QUESTION and clip.asks == form_of(question)]
        return self._take(fitting) if fitting else None

    def named(self, words: str) -> Clip:
        """The clip with these words, whoever says them; KeyError where there is none."""
        for clip in self.all:
            if clip.words == words:
                return clip
        raise KeyError(words)

    def with_sound(self, sound: Callable[[Clip], Samples]) -> Clips:
        """The same clips sounding otherwise: to test what reaches the exam."""
        return Clips(self.all, sound, self._chance)

    def _take(self, clips: Sequence[Clip]) -> Clip:
        key = tuple(clip.file for clip in clips)
        others = [clip for clip in clips if clip is not self._last.get(key)] or list(clips)
        chosen = self._chance.choice(others)
        self._last[key] = chosen
        return chosen


def form_of(question: Question) -> str:
    """The form of a question, or what it asks for where it asks for a value."""
    return question.of if isinstance(question, Value) else question.form


def read_manifest(where: Path) -> list[Clip]:
    """The clips a manifest lists. Raises UserError naming the clip and the field."""
    path = where / MANIFEST
    try:
        held = json.loads(path.read_text("utf-8"))
        return [_clip(entry) for entry in held["clips"]]
    except OSError as error:
        raise UserError(f"{path} cannot be read ({error.strerror}): install the package again") from None
    except (ValueError, KeyError, TypeError) as error:
        raise UserError(f"{path} is not a list of clips ({error}): install the package again") from None


def _clip(entry: dict[str, Any]) -> Clip:
    file = entry["file"]
    if entry["kind"] not in KINDS:
        raise ValueError(f"{file}: kind {entry['kind']!r} is none of {', '.join(KINDS)}")
    clip = Clip(file, entry["who"], entry.get("voice", ""), entry["kind"], entry["words"], None, entry.get("value"))
    return replace(
        clip,
        meaning=Meaning(entry["meaning"]) if entry.get("meaning") else None,
        asks=entry.get("asks"),
        hedged=entry.get("hedged", False),
        clear=entry.get("clear", True),
    )


def patient_voices(clips: Sequence[Clip]) -> list[str]:
    """The voices that a patient can have, in the manifest's order."""
    return list(dict.fromkeys(clip.voice for clip in clips if clip.who == "patient"))


def _folder() -> Path:
    try:
        return folder("demo_audio")
    except FileNotFoundError as error:
        raise UserError(str(error)) from None

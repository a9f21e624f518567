"""Whole recorded conversations through the recogniser of an exam: the same answers, the same prescription as typed.

The recordings are rendered here from the demonstration's clips: one eye's exam, the examiner's questions, coughs and a
door between, in a room with noise and ringing; for one microphone, or for two with cross-talk.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import pytest

pytest.importorskip("ctranslate2", reason="the embedded recogniser is not installed: no conversation was heard")

from assistant.commands.demo import SCENARIO
from assistant.commands.demo_clips import PRESENTING, QUESTION, Clips
from assistant.commands.demo_recording import Dialogue, one_eye
from assistant.grammar import Grammars
from assistant.hearing.channels import hears_two
from assistant.hearing.recogniser import RATE, Samples
from assistant.hearing.whisper import WhisperRecogniser
from assistant.listening import Ear
from assistant.protocol.meanings import CHOICE_ANSWERS
from assistant.record.events import Event
from assistant.record.starts import start_from_dict
from assistant.session import Session
from assistant.speaking.conversation import Turn, render_conversation

# A lens to begin from keeps the conversation short: its sphere, its cylinder and the line are gone through again.
START = {
    "age": 38,
    "pd": 62,
    "right": {"sphere": -2.0, "cylinder": -0.75, "axis": 15},
    "manner": {"road": "refine", "eyes": ["right"]},
}
SHOWING = 1.6  # seconds from one lens to the other: a flip, and a look
PROMPT = 1.4  # seconds within which the patient answers: a slower answer counts as hesitating, and leads elsewhere


@dataclass(frozen=True)
class Conversation:
    dialogue: Dialogue
    turns: tuple[Turn, ...]


@cache
def conversation(lens_by_lens: bool) -> Conversation:
    """`lens_by_lens`: the examiner asks about a pair by naming each lens while it is shown, and nothing more."""
    clips = Clips.load()
    dialogue = one_eye(clips, SCENARIO.patient(1), start_from_dict(START), seed=1)
    shown = {clip.words: clip for clip in clips.all if clip.kind == PRESENTING}
    turns: list[Turn] = []
    for turn, clip in zip(dialogue.turns, dialogue.clips, strict=True):
        if lens_by_lens and clip.kind == QUESTION and clip.asks == "choice":
            turns.append(Turn(clips.sound(shown["one"]), turn.pause, "examiner"))
            turns.append(Turn(clips.sound(shown["two"]), SHOWING, "examiner"))
        elif turn.by == "patient":
            turns.append(replace(turn, pause=min(turn.pause, PROMPT)))
        else:
            turns.append(turn)
    return Conversation(dialogue, tuple(turns))


def typed(dialogue: Dialogue, grammars: Grammars) -> list[Event]:
    events: list[Event] = []
    session = Session(grammars, start_from_dict(START), watch=(events.append,))
    session.begin()
    for heard in dialogue.heard:
        session.take(heard)
    session.close()
    return events


def listened(sound: Samples, grammars: Grammars, recogniser: WhisperRecogniser, chunk: int = RATE // 10) -> list[Event]:
    events: list[Event] = []
    session = Session(grammars, start_from_dict(START), watch=(events.append,))
    session.begin()
    ear = Ear(session, recogniser, two=hears_two(sound))
    for begin in range(0, len(sound), chunk):
        ear.push(sound[begin : begin + chunk])
    ear.finish()
    session.close()
    return events


def answers(events: list[Event]) -> list[tuple[str, object]]:
    used = [e for e in events if e["kind"] == "heard" and e["used"] and e["meaning"] != "question"]
    return [(e["meaning"], e["value"]) for e in used]


def draft(events: list[Event]) -> Event:
    return [e for e in events if e["kind"] == "prescription"][-1]


@pytest.mark.parametrize(
    ("lens_by_lens", "crosstalk"),
    [(False, None), (False, -10.0), (True, None), (True, -6.0), (True, -10.0), (True, -15.0)],
)
def test_a_recording_comes_to_the_prescription_of_the_typed_answers(
    grammars: Grammars, whisper: WhisperRecogniser, lens_by_lens: bool, crosstalk: float | None
) -> None:
    said = conversation(lens_by_lens)
    recording = render_conversation(
        said.turns, channels=1 if crosstalk is None else 2, crosstalk=crosstalk or -10.0, seed=3
    )
    heard = listened(recording.samples, grammars, whisper)
    expected = typed(said.dialogue, grammars)
    assert answers(heard) == answers(expected)
    assert draft(heard)["right"] == draft(expected)["right"]
    shown = [e for e in heard if e["kind"] == "heard" and e["by"] == "examiner" and e["meaning"] in set(CHOICE_ANSWERS)]
    assert not any(e["used"] for e in shown)
    assert shown or not lens_by_lens  # without the names of the lenses in it, this would show nothing


def test_the_same_events_in_any_chunks(grammars: Grammars, whisper: WhisperRecogniser) -> None:
    said = conversation(True)
    sound = render_conversation(said.turns[:8], channels=2, seed=3).samples
    whole = listened(sound, grammars, whisper, len(sound))
    assert any(e["kind"] == "heard" for e in whole)
    for chunk in (160, 592, RATE):  # 10 ms, 37 ms, 1 s
        assert listened(sound, grammars, whisper, chunk) == whole

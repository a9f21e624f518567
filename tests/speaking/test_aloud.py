"""The assistant's mouth: a loudspeaker that goes away leaves nobody deaf, and is used again once it is found."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from assistant.aloud import Mouth
from assistant.errors import UserError
from assistant.speaking.playback import DEVICE_PATIENCE, HALF_DUPLEX_TAIL, DevicePlayer, PlaybackError
from assistant.speaking.voice import Speech

RATE = 16_000
BLOCK = RATE // 100


class Room:
    """A clock and a loudspeaker that is plugged in or not; whatever it is given to play, it plays."""

    def __init__(self) -> None:
        self.now = 0.0
        self.plugged_in = True
        self.opened: list[Loudspeaker] = []

    def open(self) -> DevicePlayer:
        if not self.plugged_in:
            raise PlaybackError("no loudspeaker can be used")
        return DevicePlayer(lambda fill: Loudspeaker(self, fill), lambda: self.now)

    def passes(self, seconds: float, seen: Callable[[], object] = lambda: None) -> None:
        """Time passes in blocks; `seen` is looked at after each."""
        for _ in range(round(seconds * RATE / BLOCK)):
            for one in self.opened:
                one.pull()
            self.now += BLOCK / RATE
            seen()


class Loudspeaker:
    rate, latency = RATE, 0.0

    def __init__(self, room: Room, fill: Callable[[np.ndarray], None]) -> None:
        self.room = room
        self.fill = fill
        self.sounded = False  # in the last block
        room.opened.append(self)

    def pull(self) -> None:
        self.sounded = False
        if self.room.plugged_in:
            block = np.zeros(BLOCK, np.float32)
            self.fill(block)
            self.sounded = bool(block.any())

    def close(self) -> None:
        self.room.opened.remove(self)


@pytest.fixture
def room() -> Room:
    return Room()


@pytest.fixture
def mouth(room: Room) -> Mouth:
    return Mouth(lambda words: Speech(np.full(RATE, 0.1, np.float32), RATE), room.open)  # every prompt: one second


def hears(room: Room, mouth: Mouth) -> bool:
    """Whether the block of the microphone that ends now would be listened to."""
    return not mouth.touches(room.now - BLOCK / RATE, room.now)


def test_a_loudspeaker_lost_in_a_prompt_leaves_the_assistant_hearing_and_is_told_once(
    room: Room, mouth: Mouth, capsys: pytest.CaptureFixture[str]
) -> None:
    mouth("Right eye: sphere, two clicks of plus")
    room.passes(0.5)
    room.plugged_in = False
    room.passes(DEVICE_PATIENCE - 0.1)
    assert not hears(room, mouth)  # it may yet be a moment's trouble, and go on with the prompt
    room.passes(0.2 + HALF_DUPLEX_TAIL, lambda: hears(room, mouth))
    assert hears(room, mouth) and not mouth.speaking
    for _ in range(3):
        mouth("another prompt")
        room.passes(1.0, lambda: hears(room, mouth))
    assert hears(room, mouth)
    assert capsys.readouterr().err == (
        "handsfree-refraction: no more speech, going on with text: "
        "the loudspeaker stopped answering. Is it still plugged in?\n"
    )


@pytest.mark.parametrize("ask", [lambda mouth: mouth.speaking, lambda mouth: mouth("next"), lambda mouth: None])
def test_wherever_it_is_asked_a_lost_loudspeaker_does_not_keep_devices_from_being_looked_for(
    room: Room, mouth: Mouth, ask: Callable[[Mouth], object]
) -> None:
    looked: list[float] = []
    mouth("one or two")
    room.plugged_in = False
    mouth.step_aside(lambda: looked.append(room.now))
    assert looked == []  # a prompt is being said
    room.passes(DEVICE_PATIENCE + 0.1)
    ask(mouth)
    mouth.step_aside(lambda: looked.append(room.now))
    assert looked == [room.now]


def test_a_lost_loudspeaker_is_tried_again_whenever_devices_are_looked_for(
    room: Room, mouth: Mouth, capsys: pytest.CaptureFixture[str]
) -> None:
    mouth("one or two")
    room.plugged_in = False
    room.passes(DEVICE_PATIENCE + 0.1)
    for _ in range(3):  # each time the microphone is tried again
        mouth.step_aside(lambda: None)
    assert len(capsys.readouterr().err.splitlines()) == 1

    def plug_in() -> None:
        room.plugged_in = True

    mouth.step_aside(plug_in)
    assert capsys.readouterr().err == "handsfree-refraction: prompts are spoken again\n"
    mouth("one or two")
    room.passes(0.5)
    assert mouth.speaking and room.opened[0].sounded
    room.plugged_in = False
    room.passes(DEVICE_PATIENCE + 0.1)
    assert not mouth.speaking
    assert "no more speech" in capsys.readouterr().err  # lost again, told again


def test_the_microphone_never_hears_the_assistant_itself(room: Room, mouth: Mouth) -> None:
    """Whatever becomes of the loudspeaker: no block in which it sounds is listened to."""
    heard: list[float] = []
    sounded: list[float] = []

    def listen() -> None:
        if any(one.sounded for one in room.opened):
            sounded.append(room.now)
            if hears(room, mouth):
                heard.append(room.now)

    for away in (0.3, DEVICE_PATIENCE - 0.1, DEVICE_PATIENCE + 0.1, 4.0):
        mouth("one or two")
        room.passes(0.4, listen)
        room.plugged_in = False
        room.passes(away, listen)
        room.plugged_in = True
        room.passes(1.5, listen)
        mouth.step_aside(lambda: None)
    assert heard == [] and len(sounded) > 200


def test_a_voice_that_fails_is_told_once(room: Room, capsys: pytest.CaptureFixture[str]) -> None:
    def render(words: str) -> Speech:
        raise UserError("the voice gave only silence: run with --speak off")

    mouth = Mouth(render, room.open)
    mouth("one")
    mouth("two")
    assert not mouth.speaking and room.opened == []
    (told,) = capsys.readouterr().err.splitlines()
    assert told.endswith("going on with text: the voice gave only silence: run with --speak off")


def test_the_last_words_are_not_cut_off(room: Room, mouth: Mouth) -> None:
    mouth("Draft written.")
    mouth.finish(room.passes)
    assert not mouth.speaking and room.now >= 1.0  # every prompt: one second


def test_a_loudspeaker_that_has_gone_is_not_waited_for(room: Room, mouth: Mouth) -> None:
    mouth("Draft written.")
    room.plugged_in = False
    mouth.finish(room.passes)
    assert not mouth.speaking

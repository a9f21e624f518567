"""Prompts said aloud: the voice and the loudspeaker together, or plain words on the screen where there is none."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from contextlib import ExitStack

from .errors import UserError
from .speaking.playback import TIMES_RATE, PlaybackError, Player, SpeakingTimes
from .speaking.voice import Speech

LAST_WORDS = 30.0  # seconds the end of an exam may take to be said: the read-back and what follows (design)
TICK = 0.05  # seconds between looks at whether all is said


class Mouth:
    """Says what it is given, one prompt after another.

    A device that goes away is told of once, and the exam goes on with text; it is tried again when devices are looked
    for again.
    """

    def __init__(self, render: Callable[[str], Speech], open_player: Callable[[], Player]) -> None:
        """Opens the player; raises UserError where that fails."""
        self._render = render
        self._open = open_player
        self._player: Player | None = open_player()
        self._past: list[SpeakingTimes] = []  # of players that were closed
        self._told = False  # that nothing can be said

    def __call__(self, words: str) -> None:
        player = self._working()
        if player is None:
            return
        try:
            player.play(self._render(words))
        except UserError as error:
            self._give_up(error)

    def finish(self, wait: Callable[[float], None] = time.sleep) -> None:
        """Return when all is said, or the device has gone: the last words of an exam are not cut off.

        After a recording or piped lines a whole exam may wait to be said: that is not waited for.
        """
        for _ in range(round(LAST_WORDS / TICK)):
            if not self.speaking:
                return
            wait(TICK)

    def interrupt(self) -> None:
        """Be silent now, and leave unsaid what was still to be said."""
        if self._player is not None:
            self._player.stop()

    @property
    def speaking(self) -> bool:
        player = self._working()
        return player is not None and player.times.speaking

    def touches(self, begin: float, end: float) -> bool:
        """Whether the assistant spoke, or the room still rang with it, within these seconds of the player's clock."""
        player = self._working()
        times = [*self._past, *([player.times] if player is not None else [])]
        return any(held.touches(round(begin * TIMES_RATE), round(end * TIMES_RATE)) for held in times)

    def step_aside(self, look: Callable[[], None]) -> None:
        """Let the loudspeaker go while `look` runs; while it is needed, `look` has to wait for another time."""
        if self.speaking:
            return
        self.close()
        look()
        try:
            self._player = self._open()
        except UserError as error:
            self._give_up(error)
            return
        if self._told:
            self._told = False
            print("handsfree-refraction: prompts are spoken again", file=sys.stderr)

    def close(self) -> None:
        if self._player is not None:
            self._player.close()
            self._past = [self._player.times]
            self._player = None

    def _working(self) -> Player | None:
        """The player, unless its device has gone: that one would count as speaking for ever."""
        if self._player is not None and self._player.gone:
            self._give_up(PlaybackError("the loudspeaker stopped answering. Is it still plugged in?"))
        return self._player

    def _give_up(self, error: UserError) -> None:
        self.close()
        if not self._told:
            self._told = True
            print(f"handsfree-refraction: no more speech, going on with text: {error}", file=sys.stderr)


def open_mouth(stack: ExitStack) -> Mouth | None:
    """A voice on the system's loudspeaker, closed with `stack`; None, said plainly, where there is none."""
    from .speaking.device import open_player
    from .speaking.voice import Voice

    try:
        voice = Voice()
        voice.render("ready")
        mouth = Mouth(voice.render, open_player)
    except (UserError, RuntimeError) as error:
        print(f"handsfree-refraction: prompts cannot be spoken: {error}; going on with text", file=sys.stderr)
        return None
    stack.callback(mouth.close)
    return mouth

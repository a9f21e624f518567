"""Prompts said aloud: the voice and the loudspeaker together, or plain words on the screen where there is none."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import ExitStack

from .errors import UserError
from .speaking.playback import Player


class Mouth:
    """Says what it is given; a new prompt cuts an old one short, because the old one no longer holds.

    A device that goes away is told of once, and the exam goes on with text.
    """

    def __init__(self, render: Callable[[str], object], player: Player) -> None:
        self._render = render
        self.player = player
        self._works = True

    def __call__(self, words: str) -> None:
        if not self._works:
            return
        try:
            self.player.play(self._render(words))  # type: ignore[arg-type]
        except UserError as error:
            self._works = False
            print(f"handsfree-refraction: no more speech: {error}; going on with text", file=sys.stderr)

    def interrupt(self) -> None:
        self.player.stop()


def open_mouth(stack: ExitStack, device: str | None = None) -> Mouth | None:
    """A voice on a sound device, closed with `stack`; None, said plainly, where there is none."""
    from .speaking.device import open_player
    from .speaking.voice import Voice

    try:
        player = open_player(device)
        voice = Voice()
        voice.render("ready")
    except (UserError, RuntimeError) as error:
        print(f"handsfree-refraction: prompts cannot be spoken: {error}; going on with text", file=sys.stderr)
        return None
    stack.callback(player.close)
    return Mouth(voice.render, player)

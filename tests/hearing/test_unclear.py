"""What is mumbled, too quiet or covered on purpose in the demonstration: asked for again, and never another answer."""

from __future__ import annotations

import pytest

from assistant.commands.demo_clips import Clip, Clips, patient_voices, read_manifest
from assistant.data import folder
from assistant.grammar import LISTENING_FOR, Grammars
from assistant.hearing.audio import spoken
from assistant.hearing.whisper import WhisperRecogniser

CLIPS = read_manifest(folder("demo_audio"))
UNCLEAR = [clip for clip in CLIPS if not clip.clear]


@pytest.mark.parametrize("clip", UNCLEAR, ids=lambda clip: clip.file)
def test_an_unclear_answer_is_never_taken_for_another(
    clip: Clip, whisper: WhisperRecogniser, grammars: Grammars
) -> None:
    """A mumbled "one" sounds much like "two"; to take it for that is the worst that hearing can do."""
    assert clip.voice in patient_voices(CLIPS)
    assert clip.asks is not None
    speech = spoken(Clips.load(clip.voice).sound(clip))
    if speech is None:  # too quiet to be found: asked for again
        return
    heard = whisper.hear(speech, grammars.union(*LISTENING_FOR[clip.asks]))
    assert not heard.accepted or heard.meaning is clip.meaning

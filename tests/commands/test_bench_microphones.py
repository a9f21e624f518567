"""`bench microphones` on a corpus of six recordings, made here of the demonstration's clips."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import soundfile

pytest.importorskip("ctranslate2", reason="the embedded recogniser is not installed: nobody was heard")

from assistant.cli import main
from assistant.commands.demo_clips import ANSWER, Clips, patient_voices, read_manifest
from assistant.data import folder
from assistant.hearing.recogniser import RATE
from assistant.protocol.meanings import Meaning

VOICES = patient_voices(read_manifest(folder("demo_audio")))


@pytest.fixture
def corpus(tmp_path: Path) -> Path:
    rows = ["file\tgroup\ttext\tspeaker"]
    for voice in VOICES[:2]:
        clips = Clips.load(voice)
        for word, meaning in (("one", Meaning.FIRST), ("two", Meaning.SECOND)):
            answers = (c for c in clips.all if c.kind == ANSWER and c.meaning is meaning and c.clear)
            clip = next(c for c in answers if c.words == word)
            soundfile.write(tmp_path / f"{voice}-{word}.wav", clips.sound(clip), RATE)
            rows.append(f"{voice}-{word}.wav\tanswer\t{word}\t{voice}")
    (tmp_path / "manifest.tsv").write_text("\n".join(rows) + "\n", "utf-8")
    return tmp_path


def test_the_answers_are_taken_and_the_lenses_named_are_not(corpus: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "microphones", "--corpus", str(corpus), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["played"], told["lens_named"], told["named_as_answer"], told["swapped"]) == (4, 8, 0, 0)
    assert told["right"] + told["asked_again"] == 4
    assert told["right"] >= 3


def test_voices_as_loud_in_both_microphones_are_nobodys_answer(
    corpus: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """At 0 dB nothing tells who spoke: everything is asked again, nothing is guessed."""
    assert main(["bench", "microphones", "--corpus", str(corpus), "--crosstalk", "0", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["right"], told["swapped"], told["named_as_answer"]) == (0, 0, 0)
    assert told["asked_again"] == 4


def test_a_corpus_without_both_words_is_told(corpus: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = (corpus / "manifest.tsv").read_text("utf-8").splitlines()
    (corpus / "manifest.tsv").write_text("\n".join(line for line in lines if "two" not in line) + "\n", "utf-8")
    assert main(["bench", "microphones", "--corpus", str(corpus)]) == 1
    assert "no speaker says both" in capsys.readouterr().err

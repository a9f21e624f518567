"""Speech for the hearing tests: real recordings where they are at hand, synthetic voices otherwise."""

from __future__ import annotations

import csv
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from assistant.commands.hear import grammars as load_grammars
from assistant.grammar import Grammars
from assistant.hearing.audio import resample
from assistant.hearing.recogniser import Samples
from assistant.hearing.whisper import WhisperRecogniser
from assistant.speaking.engine import Pyttsx3Engine

CORPUS = Path(__file__).parents[3] / "shared" / "speech_corpus"


@pytest.fixture(scope="session")
def grammars() -> Grammars:
    return load_grammars()


@pytest.fixture(scope="session")
def whisper() -> WhisperRecogniser:
    return WhisperRecogniser(threads=2)


@pytest.fixture(scope="session")
def say() -> Callable[[str], Samples]:
    """Speaks a text with the packaged synthetic voice: samples at 16 kHz."""
    engine = Pyttsx3Engine(None, 150)

    @cache
    def speak(text: str) -> Samples:
        return resample(*engine.synthesize(text))

    return speak


@pytest.fixture(scope="session")
def corpus() -> list[dict[str, str]]:
    """The rows of the corpus of human recordings, each with its path under "path"."""
    manifest = CORPUS / "manifest.tsv"
    if not manifest.is_file():
        pytest.skip("no corpus of human recordings beside the project (../shared/speech_corpus)")
    with manifest.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file, delimiter="\t"))
    return [{**row, "path": str(CORPUS / row["file"])} for row in rows]

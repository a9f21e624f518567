"""Changed copies of frozen values, as `dataclasses.replace` makes them."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from assistant.optics.lens import Lens, LensError
from assistant.protocol.consistency import Answer
from assistant.protocol.eye import EyeState
from assistant.protocol.meanings import Meaning
from assistant.protocol.questions import Choice, Eye
from assistant.protocol.values import replace


def test_a_copy_is_what_dataclasses_make() -> None:
    before = EyeState(Eye.RIGHT, Lens(-100), age=40)
    after = replace(before, lens=Lens(-125), clicks=2)
    assert after == dataclasses.replace(before, lens=Lens(-125), clicks=2)
    assert before == EyeState(Eye.RIGHT, Lens(-100), age=40)


def test_a_value_that_looks_at_itself_still_does() -> None:
    with pytest.raises(LensError):
        replace(Lens(-100), axis=0)


def test_what_a_value_worked_out_is_worked_out_anew() -> None:
    answer = Answer(Choice(Eye.RIGHT, "sphere", Lens(0), Lens(-25)), Meaning.FIRST)
    assert answer.heard.meaning is Meaning.FIRST
    assert replace(answer, meaning=Meaning.SECOND).heard.meaning is Meaning.SECOND


def test_a_name_that_is_no_field_is_refused() -> None:
    wrong: dict[str, Any] = {"lense": Lens(0)}
    with pytest.raises(TypeError, match="lense"):
        replace(EyeState(Eye.RIGHT, Lens(0)), **wrong)

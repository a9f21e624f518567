"""Golden conversations: what is typed, and all that the exam says and shows for it, word for word.

`conversing.py --update` (see there) writes them anew after a change of words; read the difference.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from conversing import converse, files


@pytest.mark.parametrize("path", files(), ids=lambda path: path.stem)
def test_the_conversation_goes_as_written(path: Path) -> None:
    written = path.read_text(encoding="utf-8")
    assert converse(written) == written, f"{path.name} goes otherwise: see conversing.py --update"


def test_there_are_conversations() -> None:
    assert len(files()) >= 12


@pytest.mark.parametrize("path", files(), ids=lambda path: path.stem)
def test_a_conversation_ends_with_a_draft(path: Path) -> None:
    """The files themselves: none ends before the exam does."""
    last = path.read_text(encoding="utf-8").splitlines()[-1]
    assert last.startswith("draft")
    assert json.loads(last.removeprefix("draft").strip())["status"] == "draft"

"""Where the grammar files come from: the installed folder, or one the user names."""

from __future__ import annotations

from pathlib import Path

import pytest

from assistant.data import grammar_sources
from assistant.grammar import GrammarError, Grammars

HEAD = "#JSGF V1.0 UTF-8 en;\ngrammar {name};\n"


def test_the_installed_grammars_are_found_and_all_of_them_load() -> None:
    sources = grammar_sources()
    assert {"choice.jsgf", "legible.jsgf", "command.jsgf", "common.jsgf"} <= set(sources)
    assert set(Grammars(sources).names) <= {name.removesuffix(".jsgf") for name in sources}


def test_a_folder_of_ones_own(tmp_path: Path) -> None:
    text = HEAD.format(name="choice") + "public <r> = eins {first};"
    (tmp_path / "choice.jsgf").write_text(text, encoding="utf-8")
    (tmp_path / "notes.txt").write_text("not a grammar", encoding="utf-8")
    assert grammar_sources(tmp_path) == {"choice.jsgf": text}


def test_a_folder_without_grammars(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match=r"no grammar files \(\*\.jsgf\) there: give a folder that holds"):
        grammar_sources(tmp_path)


def test_a_file_that_is_not_utf_8(tmp_path: Path) -> None:
    (tmp_path / "choice.jsgf").write_bytes(b"#JSGF V1.0 UTF-8 en;\n// \xe9")
    with pytest.raises(ValueError, match=r"choice\.jsgf: not UTF-8 at byte 24: save the file as UTF-8"):
        grammar_sources(tmp_path)


def test_a_broken_file_of_ones_own_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "choice.jsgf").write_text(HEAD.format(name="choice") + "public <r> = one {first", encoding="utf-8")
    with pytest.raises(GrammarError, match=r"^choice\.jsgf, line 3: '\{' stands alone or is not closed; close it"):
        Grammars(grammar_sources(tmp_path))

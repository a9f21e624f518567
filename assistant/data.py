"""Where the grammar files and demo recordings are: inside the installed package, or beside it in a checkout."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).parent


def folder(name: str) -> Path:
    """Path of the data folder `name` ("grammars", "demo_audio").

    Raises FileNotFoundError with the fix when the installation lacks it.
    """
    for candidate in (_PACKAGE / "_data" / name, _PACKAGE.parent / name):
        if candidate.is_dir():
            return candidate
    raise FileNotFoundError(f"the folder {name}/ is missing from this installation: install the package again")

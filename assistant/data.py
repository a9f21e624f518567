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


def grammar_sources(where: Path | None = None) -> dict[str, str]:
    """The grammar files' texts by file name ("choice.jsgf"), from the installed folder or from `where`.

    Raises FileNotFoundError when there are none and ValueError when one is not UTF-8; each says what to do.
    """
    place = folder("grammars") if where is None else where
    sources = {}
    for path in sorted(place.glob("*.jsgf")):
        try:
            sources[path.name] = path.read_text(encoding="utf-8")
        except UnicodeDecodeError as error:
            raise ValueError(f"{path}: not UTF-8 at byte {error.start}: save the file as UTF-8") from None
    if not sources:
        raise FileNotFoundError(f"{place}: no grammar files (*.jsgf) there: give a folder that holds them")
    return sources

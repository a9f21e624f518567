"""Rows of a cohort to files while it runs: CSV, and Parquet for large ones. Memory stays flat."""

from __future__ import annotations

import csv
import importlib
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final, Protocol

from ..errors import UserError
from ..patients.cohort import COLUMNS, Cell

GROUP: Final = 10_000  # rows a Parquet row group holds: about 15 MB in memory

Rows = Sequence[dict[str, Cell]]

_TEXT: Final = ("eye", "acuity", "flags")
_WHOLE: Final = ("number", "age", "axis", "questions")
_TRUE_OR_FALSE: Final = ("complete", "confirmed")


class Sink(Protocol):
    """Takes rows as they come."""

    def write(self, rows: Rows) -> None: ...


class CsvSink:
    """Writes `path` as CSV; the file is closed with the stack."""

    def __init__(self, path: Path, stack: ExitStack) -> None:
        self._path = path
        try:
            file = stack.enter_context(path.open("w", newline="", encoding="utf-8"))
            self._writer = csv.DictWriter(file, COLUMNS)
            self._writer.writeheader()
        except OSError as error:
            raise _unwritable(path, error) from error

    def write(self, rows: Rows) -> None:
        try:
            self._writer.writerows(rows)
        except OSError as error:
            raise _unwritable(self._path, error) from error


class ParquetSink:
    """Writes `path` as Parquet, a row group at a time; finished with the stack."""

    def __init__(self, path: Path, stack: ExitStack) -> None:
        try:
            self._arrow: Any = importlib.import_module("pyarrow")
            parquet: Any = importlib.import_module("pyarrow.parquet")
        except ImportError as error:
            raise UserError(
                "--parquet needs PyArrow: install it with  pip install 'handsfree-refraction[parquet]'"
            ) from error
        self._path = path
        self._rows: list[dict[str, Cell]] = []
        self._schema = self._arrow.schema([(name, self._type(name)) for name in COLUMNS])
        try:
            self._writer = parquet.ParquetWriter(path, self._schema)
        except OSError as error:
            raise _unwritable(path, error) from error
        stack.callback(self._finish)

    def _type(self, name: str) -> Any:
        if name in _TEXT:
            return self._arrow.string()
        if name in _TRUE_OR_FALSE:
            return self._arrow.bool_()
        return self._arrow.int32() if name in _WHOLE else self._arrow.float64()

    def write(self, rows: Rows) -> None:
        self._rows.extend(rows)
        if len(self._rows) >= GROUP:
            self._flush()

    def _flush(self) -> None:
        try:
            self._writer.write_table(self._arrow.Table.from_pylist(self._rows, self._schema))
        except OSError as error:
            raise _unwritable(self._path, error) from error
        self._rows = []

    def _finish(self) -> None:
        try:
            if self._rows:
                self._flush()
        finally:
            self._writer.close()


def _unwritable(path: Path, error: OSError) -> UserError:
    return UserError(f"{path}: cannot be written ({error.strerror or error}); name another file")

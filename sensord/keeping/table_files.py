"""Tables out: CSV or Parquet by the file's suffix, written under a temporary name and renamed when whole."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, TextIO

from sensord.errors import InputError, MissingPartError, NestclimateError, how_to_install

SUFFIXES = (".csv", ".parquet")
Batch = Sequence[Sequence[Any]]


def write_table(out: Path, columns: dict[str, str], batches: Iterable[Batch]) -> int:
    """Write batches of rows to ``out``; an older file of that name stays until the new one is whole.

    Args:
        columns: name to type: ``text``, ``number`` or ``instant`` (ISO 8601 text; a UTC timestamp in Parquet).

    Returns:
        how many rows.

    Raises:
        InputError: the suffix is neither .csv nor .parquet.
        MissingPartError: pyarrow is needed and not installed.
        NestclimateError: the file cannot be written.
    """
    if out.suffix.lower() not in SUFFIXES:
        raise InputError(f"--out {out}: allowed are files that end in {' or '.join(SUFFIXES)}")
    if not out.parent.is_dir():
        raise InputError(f"--out {out}: there is no folder {out.parent}")
    write = _write_csv if out.suffix.lower() == ".csv" else _write_parquet
    draft = out.with_name(f".{out.name}.{os.getpid()}.part")
    try:
        rows = write(draft, columns, batches)
        with draft.open("rb") as file:
            os.fsync(file.fileno())
        draft.replace(out)
    except OSError as error:
        raise NestclimateError(f"--out {out}: cannot be written ({error.strerror or error})") from error
    finally:
        draft.unlink(missing_ok=True)
    return rows


def _write_csv(draft: Path, columns: dict[str, str], batches: Iterable[Batch]) -> int:
    with draft.open("w", encoding="utf-8", newline="") as file:
        return write_csv(file, columns, batches)


def write_csv(file: TextIO, columns: Iterable[str], batches: Iterable[Batch]) -> int:
    """A header line, then the rows. How many rows."""
    rows = 0
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(columns)
    for batch in batches:
        writer.writerows(batch)
        rows += len(batch)
    return rows


def _write_parquet(draft: Path, columns: dict[str, str], batches: Iterable[Batch]) -> int:
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ModuleNotFoundError as error:
        raise MissingPartError(
            f"Parquet needs the package 'pyarrow': {how_to_install('station')}, or export .csv"
        ) from error
    from sensord.clock import parse_instant

    types = {"text": pa.string(), "number": pa.float64(), "instant": pa.timestamp("ms", tz="UTC")}
    schema = pa.schema([(name, types[kind]) for name, kind in columns.items()])
    rows = 0
    with parquet.ParquetWriter(draft, schema, compression="zstd") as writer:
        for batch in batches:
            cells = [list(column) for column in zip(*batch, strict=True)] or [[] for _ in columns]
            for index, kind in enumerate(columns.values()):
                if kind == "instant":
                    cells[index] = [None if not text else parse_instant(text) for text in cells[index]]
                elif kind == "text":
                    cells[index] = [text or None for text in cells[index]]  # blank is null, as for numbers
            writer.write_table(
                pa.Table.from_arrays([pa.array(c, f.type) for c, f in zip(cells, schema, strict=True)], schema=schema)
            )
            rows += len(batch)
    return rows

"""InfluxDB 2: written by its client, read by Flux as CSV."""

from __future__ import annotations

import csv
from collections.abc import Iterable

from sensord.clock import parse_instant, to_ms
from sensord.store.base import Columns
from sensord.store.lineprotocol import MEASUREMENT, columns_of, plain_name
from sensord.store.server import LineWriter, telling

_NS_PER_MS = 1_000_000


class InfluxServer:
    """A bucket of an InfluxDB 2. A write of the same series and instant overwrites, so that repeats change nothing."""

    earliest_ms = -(2**63) // _NS_PER_MS + 1

    def __init__(self, url: str, org: str, bucket: str, token: str = "") -> None:
        self._writer = LineWriter(url, org, bucket, token)

    @property
    def name(self) -> str:
        """Address, organisation and bucket."""
        return f"influxdb {self._writer.url} {self._writer.org}/{self._writer.bucket}"

    def send(self, probe: str, columns: Columns) -> None:
        """Write readings of one probe; durable at the server when it has answered."""
        self._writer.send(probe, columns)

    def raw(self, probe: str, from_ms: int, until_ms: int) -> Columns:
        """Every reading of one probe with ``from_ms <= at_ms < until_ms``."""
        flux = (
            f"from(bucket: {_literal(self._writer.bucket)})"
            f" |> range(start: time(v: {from_ms * _NS_PER_MS}), stop: time(v: {until_ms * _NS_PER_MS}))"
            f' |> filter(fn: (r) => r._measurement == "{MEASUREMENT}" and r.probe == "{plain_name(probe)}")'
            ' |> keep(columns: ["_time", "_field", "_value"])'
        )
        with telling(self._writer.url):
            answer = self._writer.client.query_api().query_raw(flux, org=self._writer.org)
            return columns_of(_fields(answer.data.decode().splitlines()))

    def close(self) -> None:
        """Close the connections."""
        self._writer.close()


def _fields(lines: Iterable[str]) -> dict[str, dict[int, float]]:
    """Annotated CSV: tables apart by a blank line, each with '#' lines and a header of its own."""
    fields: dict[str, dict[int, float]] = {}
    header: list[str] = []
    for cells in csv.reader(lines):
        if not cells or cells[0].startswith("#"):
            header = []
        elif not header:
            header = cells
        else:
            row = dict(zip(header, cells, strict=False))
            fields.setdefault(row["_field"], {})[to_ms(parse_instant(row["_time"]))] = float(row["_value"])
    return fields


def _literal(text: str) -> str:
    """A Flux string: quotes, backslashes and interpolation escaped."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"').replace("${", "\\${") + '"'

"""VictoriaMetrics: written by line protocol, read raw by ``/api/v1/export``.

Run it with ``-dedup.minScrapeInterval=1ms`` (else repeats are kept twice on its disk) and ``-retentionPeriod=100y`` (else it
drops what is older than a month, and says nothing). It keeps nothing from before 1970, shows what it took only about ten
seconds later, and loses that when it is killed: so the mirror believes it only when it has read the readings back.
"""

from __future__ import annotations

import json

import urllib3

from sensord.store.base import Columns
from sensord.store.lineprotocol import FIELDS, MEASUREMENT, columns_of, plain_name
from sensord.store.server import TIMEOUT_S, LineWriter, answered, telling


class VictoriaServer:
    """A single-node VictoriaMetrics. ``token``: for a proxy before it; blank: none."""

    earliest_ms = 0

    def __init__(self, url: str, token: str = "") -> None:
        self._writer = LineWriter(url, "", "", token)
        self._headers = {"Authorization": f"Bearer {token}"} if token else {}
        self._pool = urllib3.PoolManager(timeout=TIMEOUT_S, retries=False)

    @property
    def name(self) -> str:
        """Its address."""
        return f"victoriametrics {self._writer.url}"

    def send(self, probe: str, columns: Columns) -> None:
        """Write readings of one probe. The answer says neither that they are right nor that they are kept."""
        self._writer.send(probe, columns)

    def raw(self, probe: str, from_ms: int, until_ms: int) -> Columns:
        """Every reading of one probe with ``from_ms <= at_ms < until_ms``, past the caches."""
        metrics = f'{{__name__=~"{MEASUREMENT}_({"|".join(FIELDS)})",probe="{plain_name(probe)}"}}'
        asked = {
            "match[]": metrics,
            "start": f"{from_ms / 1000:.3f}",
            "end": f"{(until_ms - 1) / 1000:.3f}",
            "nocache": "1",
        }
        with telling(self._writer.url):
            answer = self._pool.request("GET", f"{self._writer.url}/api/v1/export", fields=asked, headers=self._headers)
            if answer.status != 200:
                raise answered(self._writer.url, answer.status, answer.data.decode(errors="replace"))
            series = [json.loads(line) for line in answer.data.splitlines()]
        fields: dict[str, dict[int, float]] = {}
        for each in series:
            name = each["metric"]["__name__"].removeprefix(f"{MEASUREMENT}_")
            fields.setdefault(name, {}).update(zip(each["timestamps"], each["values"], strict=True))
        return columns_of(fields)

    def close(self) -> None:
        """Close the connections."""
        self._writer.close()
        self._pool.clear()

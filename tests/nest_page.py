"""Asks the nest page's callback as a browser does, for tests and the benchmark."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

NOW_OUTPUTS = (
    ("nest-facts", "children"), ("nest-water-words", "children"), ("nest-water", "figure"), ("nest-water", "style"),
    ("nest-journal", "children"), ("nest-older", "hidden"), ("nest-past-lines", "children"), ("nest-bands", "children"),
)  # fmt: skip
CHART_OUTPUTS = (
    ("nest-chart", "figure"), ("nest-empty", "children"), ("nest-days", "children"), ("nest-means", "children"),
    ("nest-kin", "children"), ("nest-layers", "children"), ("nest-whole", "hidden"),
)  # fmt: skip


def asked_of(client: Any, nest: str, search: str, zoom: Any = None, resets: int = 0, zipped: bool = True) -> Any:
    """The raw answer for the chart."""
    more = [("nest-address", "search", search), ("nest-tick", "n_intervals", 0), ("nest-written", "data", None),
            ("nest-zoom", "data", zoom), ("nest-whole", "n_clicks", resets)]  # fmt: skip
    return _ask(client, CHART_OUTPUTS, nest, more, zipped=zipped)


def chart(client: Any, nest: str, search: str = "?days=1", **asked: Any) -> dict[str, Any]:
    """What the chart's callback gives."""
    return asked_of(client, nest, search, zipped=False, **asked).get_json()["response"]


def traces(client: Any, nest: str, search: str = "?days=1", **asked: Any) -> dict[str, Any]:
    """The lines of the chart by name."""
    return {each["name"]: each for each in chart(client, nest, search, **asked)["nest-chart"]["figure"]["data"]}


def now(client: Any, nest: str, older: int = 0) -> dict[str, Any]:
    """What the callback of the present gives."""
    more = [("nest-tick", "n_intervals", 0), ("nest-written", "data", None), ("nest-older", "n_clicks", older)]
    return _ask(client, NOW_OUTPUTS, nest, more, zipped=False).get_json()["response"]


def _ask(client: Any, outputs: Any, nest: str, more: Sequence[tuple[str, str, Any]], *, zipped: bool) -> Any:
    path = nest if nest.startswith("/") else f"/nest/{quote(nest)}"
    inputs = [("nest-address", "pathname", path), *more]
    payload = {
        "output": f"..{'...'.join(f'{part}.{prop}' for part, prop in outputs)}..",
        "outputs": [{"id": part, "property": prop} for part, prop in outputs],
        "inputs": [{"id": part, "property": prop, "value": value} for part, prop, value in inputs],
        "changedPropIds": ["nest-address.pathname"],
    }
    headers = {"Accept-Encoding": "gzip"} if zipped else {}
    return client.post("/nest/_dash-update-component", json=payload, headers=headers)

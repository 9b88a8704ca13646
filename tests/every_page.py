"""Every page of the dashboard, found in the application itself, so that a new one is looked at without being named."""

from __future__ import annotations

import re
from urllib.parse import quote

import pytest

from dashboard.snapshot import Source
from sensord.clock import DAY_MS

NO_PAGE = re.compile(r"/(assets|look|nest/_|nest/assets)\b|/nest/$|/nest/_")
"""Files, and what the charts ask of themselves."""


def pages_of(app, source: Source, dead: str = "") -> list[str]:
    """The address of every page that answers with HTML: of a nest, an alarm, a colony and a probe one each of this room.

    Args:
        dead: a nest whose colony died, where there is one: its page and its review are looked at too.
    """
    client, found = app.test_client(), []
    shown = examples(source, dead)
    for rule in sorted(app.url_map.iter_rules(), key=lambda rule: rule.rule):
        if "GET" not in rule.methods or NO_PAGE.match(rule.rule):
            continue
        for path in shown.get(rule.rule, [] if rule.arguments else [rule.rule]):
            answer = client.get(path)
            if answer.status_code in {200, 403} and answer.mimetype == "text/html" and not _attached(answer):
                found.append(path)
        if rule.arguments and rule.rule not in shown:
            pytest.fail(f"{rule.rule} needs an address to look at, in every_page.py")
    return found


def examples(source: Source, dead: str) -> dict[str, list[str]]:
    """Addresses for the routes that need to be told what to show."""
    now = source.snapshot()
    nests = [quote(one.nest.name) for one in now.nests[5:6] or now.nests[:1]]
    gone = [quote(dead)] if dead else []
    alarms = source.alarms(now.at_ms - 30 * DAY_MS)[:1]
    return {
        "/nest/<path:path>": [f"/nest/{name}" for name in nests + gone],
        "/alarms/<id_>": [f"/alarms/{quote(alarm.id)}" for alarm in alarms],
        "/colony": [f"/colony?name={quote(one.name)}" for one in source.colonies()[:1]],
        "/probe": [f"/probe?name={quote(one.name)}" for one in source.probes()[:1]],
        "/review": ["/review", *(f"/review?nest={name}" for name in gone)],
        "/review/<any('report.html','data.csv'):file>": [],
        "/losses/<any('report.html','data.csv'):file>": [],
        "/grid/<table>.json": [],
        "/export/<table>.csv": [],
    }


def _attached(answer) -> bool:
    return "attachment" in answer.headers.get("Content-Disposition", "")


def name_of(path: str) -> str:
    """For a file name: /nest/A-06 as nest-A-06, / as wall."""
    return re.sub(r"[^A-Za-z0-9.]+", "-", path.replace("name=", "").replace("nest=", "")).strip("-") or "wall"

"""Where messages link to: an address that a phone can open, or none; 0.0.0.0 is nobody's."""

from __future__ import annotations

import json
from datetime import UTC
from pathlib import Path

import pytest

from sensord.addresses import link_hint, link_of
from sensord.alarms.lifecycle import Alarm
from sensord.alarms.log import News
from sensord.alarms.messages import compose
from sensord.cli import main
from sensord.model import AlarmKind, Place, Priority
from sensord.settings import DashboardSettings


def alarm_of(kind: AlarmKind, worst: float, limit: float) -> Alarm:
    """An alarm of one tube."""
    where = {"nest": "T-07", "probe": "hub-a/t7", "place": Place.WET_END, "room": "", "rack": "", "species": ""}
    return Alarm("abc", kind=kind, priority=Priority.MEDIUM, raised_ms=0, worst=worst, limit=limit, **where)


@pytest.mark.parametrize(
    ("settings", "machine", "link"),
    [
        (DashboardSettings(host="0.0.0.0"), "antpi", "http://antpi.local:8050"),
        (DashboardSettings(host="::", port=80), "AntPi.example.org", "http://antpi.local:80"),
        (DashboardSettings(host="0.0.0.0"), "localhost", ""),
        (DashboardSettings(host="0.0.0.0", link="http://192.0.2.7:8050/"), "antpi", "http://192.0.2.7:8050"),
        (DashboardSettings(host="192.0.2.7"), "antpi", "http://192.0.2.7:8050"),
        (DashboardSettings(host="2001:db8::7"), "antpi", "http://[2001:db8::7]:8050"),
        (DashboardSettings(), "antpi", "http://127.0.0.1:8050"),
    ],
)
def test_the_link_is_what_was_set_else_the_address_else_the_machines_name(settings, machine, link) -> None:
    assert link_of(settings, machine) == link


@pytest.mark.parametrize(
    ("settings", "machine", "says"),
    [
        (DashboardSettings(host="0.0.0.0"), "antpi", "http://antpi.local:8050, a guess"),
        (DashboardSettings(host="0.0.0.0"), "", "carry no link"),
        (DashboardSettings(), "antpi", "opens on this machine only"),
        (DashboardSettings(host="192.0.2.7"), "antpi", ""),
        (DashboardSettings(host="0.0.0.0", link="http://192.0.2.7:8050"), "antpi", ""),
    ],
)
def test_a_link_that_may_not_open_is_told_beforehand(settings, machine, says) -> None:
    hint = link_hint(settings, machine)
    assert says in hint
    assert bool(hint) == bool(says)
    assert "\n" not in hint


def test_a_message_without_a_link_still_says_all_else() -> None:
    text = compose([News("raised", alarm_of(AlarmKind.DRY, 61.0, 70.0))], 0, UTC, "").body
    assert "http" not in text
    assert "Acknowledge" not in text
    assert text.endswith("(abc)")


@pytest.mark.parametrize(
    ("kind", "worst", "limit", "says"),
    [
        (AlarmKind.RESERVOIR, 1.6, 7.0, "1.6 days left (limit 7.0 days)"),
        (AlarmKind.SWING, 6.2, 6.0, "6.2 °C in an hour (limit 6.0 °C)"),
        (AlarmKind.HOT, 35.3, 35.0, "35.3 °C (limit 35.0 °C)"),
    ],
)
def test_a_limit_is_told_in_the_fewest_words(kind, worst, limit, says) -> None:
    assert says in compose([News("raised", alarm_of(kind, worst, limit))], 0, UTC, "").body


def test_check_says_where_messages_link_to(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Only where messages are sent at all."""
    station = '[station]\n[dashboard]\nopen_to = "192.0.2.0/24"\n'
    route = '[[push.route]]\nname = "phone"\nurl_file = "phone.url"\n'
    (tmp_path / "phone.url").write_text("json://127.0.0.1:9/")
    (tmp_path / "phone.url").chmod(0o600)
    found = []
    for text in (station, station + route):
        (tmp_path / "station.toml").write_text(text)
        assert main(["--config", str(tmp_path), "check", "--json"]) == 0
        checks = json.loads(capsys.readouterr().out)["checks"]
        found.append([each["detail"] for each in checks if each["what"] == "links"])
    assert found[0] == []
    assert len(found[1]) == 1
    assert "opens on this machine only" in found[1][0]

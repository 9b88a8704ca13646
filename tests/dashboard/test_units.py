"""°C and °F: published conversions, sentences, and no page that forgets."""

from __future__ import annotations

import dataclasses
import json
import re

import pytest
from invented_room import DEAD, InventedRoom, nest_now, room
from nest_page import chart, now

from dashboard.app import create_app
from dashboard.data import Data
from dashboard.snapshot import AlarmNow, Chore, RoundNow
from dashboard.units import degrees, difference, in_words, of_kind, short, written
from sensord.config import load_config
from sensord.wiring import Room


def test_degrees_agree_with_the_published_fixed_points() -> None:
    """NIST Special Publication 811 (2008), B.8: t(°F) = 1.8 t(°C) + 32. The ice point is 32 °F, -40 is the same in both."""
    for celsius, fahrenheit in ((0.0, 32.0), (100.0, 212.0), (-40.0, -40.0), (37.0, 98.6), (20.0, 68.0)):
        assert fahrenheit == pytest.approx(degrees(celsius, "F"))
        assert celsius == degrees(celsius, "C")
    assert 9.0 == pytest.approx(difference(5.0, "F"))


def test_numbers_have_no_more_digits_than_the_sensor_knows() -> None:
    assert ("24.5 °C", "76.1 °F") == (written(24.46, "C"), written(24.5, "F"))
    assert ("22 °C", "71.6 °F", "-0.4 °F") == (short(22, "C"), short(22, "F"), short(-18, "F"))
    assert ("32.0 °F", "-0.0") == (written(-0.0, "F"), f"{-0.0:.1f}")  # no minus before a zero
    assert ["91.4 °F", "10.8 °F", "41.0 %", "1.5 d", ""] == [
        of_kind("hot", 33.0, "F"), of_kind("swing", 6.0, "F"), of_kind("dry", 41.0, "F"), of_kind("reservoir", 1.5, "F"),
        of_kind("hot", None, "F"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("celsius", "fahrenheit"),
    [
        ("worst 33.1 °C (limit 31), until the end", "worst 91.6 °F (limit 88), until the end"),
        ("swinging in temperature, worst 8.1 °C (limit 6)", "swinging in temperature, worst 14.6 °F (limit 11)"),
        ("it stood 2.0 °C away from their median", "it stood 3.6 °F away from their median"),
        ("12 days counted at 5 to 12 °C", "12 days counted at 41 to 54 °F"),
        ("too warm: 14.2 °C, its band is 5 to 12 °C", "too warm: 57.6 °F, its band is 41 to 54 °F"),
        ("at -3.5 °C and 40 %", "at 25.7 °F and 40 %"),
        ("12 points of humidity", "12 points of humidity"),
        ("harmful from 1 h at 8 °C above the limit", "harmful from 1 h at 14 °F above the limit"),
        ("ten times as long for every 6 °C less", "ten times as long for every 11 °F less"),
        ("from 50 °C h within five days", "from 90 °F h within five days"),
        ("more than 7 °C in twelve hours", "more than 13 °F in twelve hours"),
        ("an hour at 40 °C kills", "an hour at 104 °F kills"),
    ],
)
def test_sentences_are_told_in_the_reader_s_unit(celsius, fahrenheit) -> None:
    assert fahrenheit == in_words(celsius, "F")
    assert celsius == in_words(celsius, "C")


class Warm(InventedRoom):
    """A room whose every sentence has a temperature in it."""

    def _now(self):
        now = super()._now()
        alarms = (AlarmNow("al-1", "hot", "high", "unacknowledged", now.at_ms, "A-01", worst=33.0, limit=31.0),)
        return dataclasses.replace(now, alarms=alarms, temperature_unit="F")

    def round(self):
        return RoundNow(0, (Chore("rest", "now", "room", "A", "A-01", "too warm: 14.2 °C, its band is 5 to 12 °C"),))


PATHS = ("/review?nest=A-05", f"/review?nest={DEAD}", "/review?nest=Z-01&beside=A-05", "/nest/A-05", f"/nest/{DEAD}")


def test_no_page_shows_celsius_where_fahrenheit_is_set(clock) -> None:
    """Over all routes found by introspection, so that a new page is covered by itself."""
    client = create_app(Warm(clock, lambda at_ms: room(48, at_ms)), clock).test_client()
    rules = [rule.rule for rule in client.application.url_map.iter_rules() if "GET" in rule.methods]
    shown = 0
    for path in (*PATHS, *(re.sub(r"<[^>]*>", "A-05", rule) for rule in rules)):
        answer = client.get(path)
        if answer.mimetype in {"text/html", "application/json"} and not path.startswith("/nest/_"):
            assert "°C" not in answer.text, path
            assert "\\u00b0C" not in answer.text, path
            shown += "°F" in answer.text
    assert shown >= 3  # alarms, probes, round; the nest page's words and lines come by its callbacks
    for name in ("A-05", DEAD):
        told = json.dumps([now(client, name), chart(client, name, "?moisture=on")], ensure_ascii=False)
        assert "°C" not in told
        assert "°F" in told


def test_the_chart_and_its_bands_stand_in_the_reader_s_unit(clock) -> None:
    client = create_app(Warm(clock, lambda at_ms: room(48, at_ms)), clock).test_client()
    found = chart(client, "A-05", "?moisture=on")["nest-chart"]["figure"]
    lines = {trace["name"]: trace["y"] for trace in found["data"]}
    assert 72.4 < min(value for value in lines["temperature"] if value is not None) < 73  # 22.5 °C
    assert 59 == pytest.approx(min(value for value in lines["dew point"] if value is not None), abs=0.2)  # 15 °C
    assert max(value for value in lines["humidity"] if value is not None) <= 75
    edges = {
        edge for shape in found["layout"]["shapes"] if shape["yref"] == "y2" for edge in (shape["y0"], shape["y1"])
    }
    assert {64.4, 71.6, 80.6, 87.8} == {round(edge, 1) for edge in edges}  # 18, 22, 27, 31 °C
    assert "°F" in found["layout"]["yaxis2"]["title"]["text"]


def test_the_wall_and_the_probes_show_the_unit_of_the_settings(tmp_path, clock) -> None:
    (tmp_path / "station.toml").write_text('[station]\n[dashboard]\ntemperature_unit = "F"\n')
    assert "F" == Data(Room(load_config(tmp_path), clock)).snapshot().temperature_unit

    def warm(at_ms, unit):
        return dataclasses.replace(room(0, at_ms), nests=(nest_now("A-01", at_ms, temp=25.0),), temperature_unit=unit)

    for unit, wall, probe in (("C", "25.0°", "25.0 °C"), ("F", "77.0°", "77.0 °F")):
        client = create_app(InventedRoom(clock, lambda at_ms, unit=unit: warm(at_ms, unit)), clock).test_client()
        assert wall in client.get("/").text
        assert probe in client.get("/probes").text


def test_machines_are_always_told_celsius(clock) -> None:
    client = create_app(Warm(clock, lambda at_ms: room(3, at_ms, troubles=False)), clock).test_client()
    found = re.findall(r"nestclimate_temperature_celsius\{[^}]*\} (\S+)", client.get("/metrics").text)
    assert 3 == len(found)
    assert all(22 < float(value) < 27 for value in found)

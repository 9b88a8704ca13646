"""``/metrics`` as read by Prometheus' own client library (its parser of the text exposition format 0.0.4), and ``/healthz``."""

from __future__ import annotations

import dataclasses
from datetime import datetime

import pytest
from invented_room import InventedRoom, nest_now, room
from prometheus_client.parser import text_string_to_metric_families

from dashboard.app import create_app
from dashboard.snapshot import HubNow, ProcessNow
from sensord.clock import to_ms

ODD = 'T "7"\\ a\nb'
"""A name with all that the format must escape in a label: quote, backslash, line feed."""


def read(clock, make):
    """Every family by name, as the library reads it; and the answer's kind."""
    answer = create_app(InventedRoom(clock, make), clock).test_client().get("/metrics")
    return {family.name: family for family in text_string_to_metric_families(answer.text)}, answer.content_type


def test_every_value_of_the_room_is_read_back(clock) -> None:
    families, kind = read(clock, lambda at_ms: room(48, at_ms))
    now = room(48, to_ms(clock.now()))
    assert "text/plain; version=0.0.4; charset=utf-8" == kind
    assert {"gauge"} == {family.type for family in families.values()}
    assert all(family.documentation for family in families.values())
    assert len(now.nests) == sum(sample.value for sample in families["nestclimate_nests"].samples)
    for name, of in (
        ("nestclimate_temperature_celsius", lambda one: one.air.temp_c),
        ("nestclimate_humidity_percent", lambda one: one.air.rh_pct),
        ("nestclimate_reading_age_seconds", lambda one: (now.at_ms - one.air.at_ms) / 1_000),
        ("nestclimate_reservoir_days_left", lambda one: one.water.days_p50),
    ):
        values = {sample.labels["nest"]: sample.value for sample in families[name].samples}
        assert values == pytest.approx({one.nest.name: of(one) for one in now.nests}, rel=1e-5), name
    assert {"hub-a": 0, "hub-b": 12} == {
        one.labels["hub"]: one.value for one in families["nestclimate_outbox_rows"].samples
    }


def test_odd_names_come_back_as_they_are_and_what_is_unknown_is_left_out(clock) -> None:
    def make(at_ms):
        odd = nest_now("A-1", at_ms, rh=float("nan"))
        odd = dataclasses.replace(odd, nest=dataclasses.replace(odd.nest, name=ODD))
        silent = nest_now("A-2", at_ms, temp=None, air=None, water=None)
        hubs = (HubNow(ODD, "down", at_ms),)
        return dataclasses.replace(room(1, at_ms), nests=(odd, silent), hubs=hubs)

    families, _ = read(clock, make)
    assert {ODD} == {sample.labels["nest"] for sample in families["nestclimate_temperature_celsius"].samples}
    assert [] == families["nestclimate_humidity_percent"].samples
    assert [(ODD, 0.0)] == [(one.labels["hub"], one.value) for one in families["nestclimate_hub_up"].samples]


@pytest.mark.parametrize(
    ("beats", "status", "well"),
    [
        ({"record": 4_000, "watch": 4_000, "serve": 4_000}, 200, {"record": True, "watch": True, "serve": True}),
        ({"record": 61_000, "watch": 4_000, "serve": 4_000}, 503, {"record": False, "watch": True, "serve": True}),
        ({"record": 4_000, "watch": None, "serve": 4_000}, 503, {"record": True, "watch": False, "serve": True}),
    ],
)
def test_healthz_names_each_process_with_its_last_beat(clock, beats, status, well) -> None:
    """The contract: JSON with each process, its last beat, ok or not; 503 when not."""

    def make(at_ms):
        processes = tuple(ProcessNow(name, None if ago is None else at_ms - ago) for name, ago in beats.items())
        return dataclasses.replace(room(1, at_ms), processes=processes)

    answer = create_app(InventedRoom(clock, make), clock).test_client().get("/healthz")
    body = answer.get_json()
    assert (status, status == 200, "application/json") == (answer.status_code, body["ok"], answer.mimetype)
    assert well == {name: process["ok"] for name, process in body["processes"].items()}
    for name, ago in beats.items():
        last = body["processes"][name]["last_beat"]
        assert ago == (None if last is None else to_ms(clock.now()) - to_ms(datetime.fromisoformat(last)))

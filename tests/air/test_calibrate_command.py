"""``calibrate`` over a real store: salts, side by side, list, and what is refused."""

from __future__ import annotations

import argparse
import json
import math
from datetime import UTC, datetime

import numpy as np
import pytest

from sensord.air.calibration import Calibration, salt_rh_pct
from sensord.cli import main
from sensord.clock import MINUTE_MS, ManualClock, from_ms, iso, to_ms
from sensord.commands import calibrate
from sensord.config import load_config
from sensord.db import open_db
from sensord.errors import InputError
from sensord.keeping.calibrations import Calibrations
from sensord.model import Reading
from sensord.store.sqlite import SqliteStore
from sensord.wiring import Room

START_MS = to_ms(datetime(2026, 3, 1, 12, tzinfo=UTC))


@pytest.fixture
def folder(tmp_path):
    """A room whose probe shelf/a lay over MgCl2 and then over NaCl, reading 2 %RH too high, beside shelf/b."""
    (tmp_path / "station.toml").write_text("[station]\n")
    store = SqliteStore(tmp_path / "data" / "station.db")
    readings = []
    for m in range(60):
        readings.append(Reading("shelf/a", START_MS + m * MINUTE_MS, 22.0, salt_rh_pct("mgcl2", 22.0)[0] + 2))
        at_ms = START_MS + (m + 600) * MINUTE_MS
        readings.append(Reading("shelf/a", at_ms, 22.0, salt_rh_pct("nacl", 22.0)[0] + 2))
        readings.append(Reading("shelf/b", at_ms, 22.5, salt_rh_pct("nacl", 22.0)[0] - 1))
        readings.append(Reading("shelf/a", START_MS + (m + 900) * MINUTE_MS, 22.0, 60.0 + 0.2 * m))
    store.write(readings)
    store.close()
    return tmp_path


def at(minute):
    return iso(START_MS + minute * MINUTE_MS)


def run(folder, *arguments):
    return main(["--config", str(folder), "calibrate", *arguments])


TWO_SALTS = (
    "salt",
    "shelf/a",
    "--salt",
    "mgcl2",
    "--from",
    at(10),
    "--to",
    at(50),
    "--salt",
    "nacl",
    "--from",
    at(610),
    "--to",
    at(650),
)


def test_two_salts_make_a_calibration_that_is_listed(folder, capsys):
    assert run(folder, *TWO_SALTS, "--json") == 0
    shown = capsys.readouterr()
    (made,) = json.loads(shown.out)["calibrations"]
    assert (made["probe"], made["at"]) == ("shelf/a", at(649))
    assert made["rh_gain"] == pytest.approx(1.0)
    assert made["rh_offset_pct"] == pytest.approx(-2.0)
    assert "never touch the sensor" in shown.err
    assert run(folder, "list", "--json") == 0
    assert json.loads(capsys.readouterr().out)["calibrations"] == [made]


def test_the_same_again_changes_nothing_and_another_of_that_instant_is_refused(folder, capsys):
    assert run(folder, *TWO_SALTS) == 0
    assert run(folder, *TWO_SALTS) == 0
    assert run(folder, "salt", "shelf/a", "--salt", "nacl", "--from", at(610), "--to", at(650)) == 2
    assert "has another calibration of" in capsys.readouterr().err
    run(folder, "list", "--json")
    assert len(json.loads(capsys.readouterr().out)["calibrations"]) == 1


def test_side_by_side(folder, capsys):
    assert run(folder, "together", "shelf/a", "--against", "shelf/b", "--from", at(600), "--to", at(660), "--json") == 0
    (made,) = json.loads(capsys.readouterr().out)["calibrations"]
    assert (made["rh_offset_pct"], made["temp_offset_c"]) == pytest.approx((-3.0, 0.5))


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("salt", "shelf/a", "--salt", "nacl", "--from", at(900), "--to", at(950)), "not settled"),
        (("salt", "shelf/a", "--salt", "nacl", "--from", at(610), "--to", at(615)), "needed are 10 over 20 minutes"),
        (("salt", "shelf/a", "--salt", "sugar", "--from", at(0), "--to", at(50)), "--salt sugar: allowed is licl"),
        (("salt", "shelf/a", "--salt", "nacl", "--from", at(50)), "--from and --to: needed 1 of each, given 1 and 0"),
        (("salt", "shelf/a", "--salt", "nacl", "--from", at(50), "--to", at(10)), "is not before --to"),
        (("salt", "shelf/a", "--salt", "nacl", "--from", at(0), "--to", "2999-01-01T00:00:00Z"), "is in the future"),
        (("salt", "shelf/a", "--salt", "nacl", "--from", "2026-03-01T12:00", "--to", at(50)), "has no offset"),
        (("salt", "shelf/x", "--salt", "nacl", "--from", at(0), "--to", at(50)), "shelf/x: has no readings yet"),
        (("together", "shelf/a", "--against", "shelf/a", "--from", at(0), "--to", at(50)), "is the probe itself"),
    ],
)
def test_nonsense_is_refused_in_one_line_and_nothing_is_kept(folder, capsys, arguments, says):
    assert run(folder, *arguments) == 2
    complaints = [line for line in capsys.readouterr().err.splitlines() if line.startswith("nestclimate: ")]
    assert len(complaints) == 1
    assert says in complaints[0]
    run(folder, "list", "--json")
    assert json.loads(capsys.readouterr().out) == {"calibrations": [], "checked": []}


def test_alone_it_shows_how_with_the_cautions(folder, capsys):
    assert run(folder) == 0
    shown = capsys.readouterr().out
    assert "only just wet" in shown
    assert "toxic if swallowed" in shown


def test_readings_are_mended_piece_by_piece_and_stay_raw_in_the_store(tmp_path):
    kept = Calibrations(open_db(tmp_path / "station.db"))
    before = kept.version()
    kept.add(Calibration("a", 100, "salt", rh_offset_pct=1.0))
    kept.add(Calibration("a", 200, "salt", rh_offset_pct=-1.0, temp_offset_c=0.5))
    raw_temp, raw_rh = np.array([20.0, 20.0, np.nan]), np.array([50.0, 50.0, 50.0])
    temp, rh = kept.apply("a", [50, 200, 300], raw_temp, raw_rh)
    assert rh.tolist() == [51.0, 49.0, 49.0]
    assert temp[:2].tolist() == [20.0, 20.5]
    assert math.isnan(temp[2])
    assert raw_rh.tolist() == [50.0, 50.0, 50.0]
    assert kept.apply("b", [50], raw_temp[:1], raw_rh[:1])[1].tolist() == [50.0]
    assert kept.version() != before


def test_a_wrong_probe_name_is_refused_by_the_table(tmp_path):
    kept = Calibrations(open_db(tmp_path / "station.db"))
    with pytest.raises(InputError, match="a name is HUB/PROBE"):
        kept.add(Calibration("No Such", 0, "salt"))


class JarClock(ManualClock):
    """While it sleeps, the probe in the jar goes on reading, at first still settling."""

    def __init__(self, store):
        super().__init__(from_ms(START_MS))
        self._store, self._started = store, START_MS

    def sleep(self, seconds):
        super().sleep(seconds)
        now_ms = to_ms(self.now())
        settling = 20 * math.exp(-(now_ms - self._started) / (10 * MINUTE_MS))
        self._store.write([Reading("shelf/a", now_ms, 22.0, 74.4 - settling)])


def test_live_it_waits_until_the_probe_has_settled(tmp_path, capsys):
    (tmp_path / "station.toml").write_text("[station]\n")
    store = SqliteStore(tmp_path / "data" / "station.db")
    store.write([Reading("shelf/a", START_MS - 1, 22.0, 40.0)])
    clock = JarClock(store)
    room = Room(load_config(tmp_path), clock)
    assert calibrate.run(argparse.Namespace(way="salt", probe="shelf/a", salt=["nacl"], since=[], until=[]), room) == 0
    (made,) = room.calibrations.all()
    assert made.rh_offset_pct == pytest.approx(salt_rh_pct("nacl", 22.0)[0] - 74.4, abs=0.1)
    assert 30 < (made.at_ms - START_MS) / MINUTE_MS < 90
    assert "settled: --salt nacl --from" in capsys.readouterr().err
    room.store.close()
    store.close()

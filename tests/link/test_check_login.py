"""``check`` goes in at the broker as every process does: that a port answers says nothing of the password."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from brokers import free_port

from sensord.cli import main
from sensord.link.broker import EmbeddedBroker


@pytest.mark.parametrize(("password", "says"), [("right", "lets us in"), ("wrong", "refuses us")])
def test_check_tells_whether_the_broker_lets_us_in(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], password: str, says: str
) -> None:
    port = free_port()
    text = f'[station]\n[broker]\nport = {port}\nusername = "ants"\npassword_file = "secret"\n'
    (tmp_path / "station.toml").write_text(text)
    (tmp_path / "secret").write_text(password)
    with EmbeddedBroker(port, username="ants", password="right"):
        status = main(["--config", str(tmp_path), "check", "--json"])
    (found,) = [one for one in json.loads(capsys.readouterr().out)["checks"] if one["what"] == "broker"]
    assert found["ok"] == (password == "right") == (status == 0)
    assert says in found["detail"]

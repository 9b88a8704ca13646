"""``check`` goes in at the broker as every process does: that a port answers says nothing of the password."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from brokers import answers, free_port
from waiting import wait_until

from sensord.cli import main
from sensord.link.login import USERNAME


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    """Of a broker that wants the password ``right``; it runs in a process of its own."""
    port = free_port()
    script = Path(__file__).with_name("embedded_broker.py")
    broker = subprocess.Popen([sys.executable, str(script), str(port), "right"])
    try:
        wait_until(lambda: answers(port), what="the broker listens")
        yield port
    finally:
        broker.kill()
        broker.wait()


@pytest.mark.parametrize(("password", "says"), [("right", "lets us in"), ("wrong", "refuses us")])
def test_check_tells_whether_the_broker_lets_us_in(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], port: int, password: str, says: str
) -> None:
    text = f'[station]\n[broker]\nport = {port}\nusername = "{USERNAME}"\npassword_file = "secret"\n'
    (tmp_path / "station.toml").write_text(text)
    (tmp_path / "secret").write_text(password)
    status = main(["--config", str(tmp_path), "check", "--json"])
    (found,) = [one for one in json.loads(capsys.readouterr().out)["checks"] if one["what"] == "broker"]
    assert found["ok"] == (password == "right") == (status == 0)
    assert says in found["detail"]

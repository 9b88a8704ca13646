"""The configuration: every mistake at once, each with file, key and what is allowed."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from sensord.config import find_folder, load_config
from sensord.errors import ConfigError


def write(folder: Path, text: str) -> Path:
    """A configuration folder with that station.toml."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "station.toml").write_text(text, encoding="utf-8")
    return folder


TEN_MISTAKES = """
[station]
time_zone = "Europe/Atlantis"
nmae = "typo"
[store]
kind = "paper"
[broker]
port = 70000
keepalive_s = "often"
[[hub]]
name = "Loft"
[[hub]]
name = "cellar"
every_s = 0
[[probe]]
hub = "attic"
name = "a1"
[[probe]]
hub = "cellar"
name = "a2"
mux = 0x70
[[push.route]]
name = "phone"
[kitchen]
"""
KEYS = (
    "station.time_zone", "station.nmae", "store.kind", "broker.port", "broker.keepalive_s", "hub[1].name",
    "hub[2].every_s", "probe[1].hub", "probe[2].channel", "push.route[1].url_file", "kitchen",
)  # fmt: skip


def test_every_mistake_is_named_with_file_and_key(tmp_path: Path) -> None:
    folder = write(tmp_path, TEN_MISTAKES)
    with pytest.raises(ConfigError) as caught:
        load_config(folder)
    lines = list(caught.value.problems)
    assert len(lines) == len(KEYS)
    for key in KEYS:
        assert [
            line
            for line in lines
            if re.match(rf".*station\.toml: {re.escape(key)}\b|.*station\.toml: {re.escape(key)} ", line)
        ], key
    assert all("\n" not in line for line in lines)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("[[hub]]\nname = 'Loft'\n", "hub[1].name = 'Loft': allowed is 1 to 32 of a-z, 0-9 and '-', the first a letter or digit"),
        ("[[probe]]\nhub = 'a'\nname = 'b'\naddress = 0x46\n", "probe[1].address = 70: allowed is 0x44 or 0x45"),
        ("[[probe]]\nhub = 'a'\nname = 'b'\nmux = 0x78\n", "probe[1].mux = 120: allowed is 0x70 to 0x77"),
        ("[push]\nquiet_from = '24:00'\n", "push.quiet_from = '24:00': allowed is HH:MM"),
        ("[broker]\nport = 0\n", "broker.port = 0: allowed is 1 to 65535"),
        ("[[push.route]]\nname = '<b>'\nurl_file = 'x'\n",
         "push.route[1].name = '<b>': allowed is 1 to 32 letters, digits, spaces, '.', '_' or '-', the first a letter or digit"),
    ],
)  # fmt: skip
def test_what_is_allowed_is_said_as_a_keeper_says_it(tmp_path: Path, text: str, line: str) -> None:
    """No pattern of a program, and an address as it is printed on the board."""
    with pytest.raises(ConfigError) as caught:
        load_config(write(tmp_path, f"[station]\n{text}"))
    assert f"{tmp_path / 'station.toml'}: {line}" in caught.value.problems


def test_a_station_section_alone_is_enough(tmp_path: Path) -> None:
    config = load_config(write(tmp_path, '[station]\nname = "Loft room"\n'))
    assert (config.station.name, config.store.kind, config.broker, config.hubs) == ("Loft room", "sqlite", None, ())
    assert config.data == tmp_path / "data"
    assert config.dashboard.host == "127.0.0.1"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", r"station: the section \[station\] is missing"),
        ("[station", "is no TOML"),
        ('station = "x"', r"allowed is a section \[station\]"),
        ('[station]\n[hub]\nname = "a"', r"hub: allowed is \[\[hub\]\]"),
        ('[station]\n[[hub]]\nname = "a"', "broker: is missing, but there is a"),
        ('[station]\n[broker]\nembedded = true\nhost = "10.0.0.1"', "an embedded broker listens on loopback"),
        ('[station]\n[broker]\npassword_file = "no.txt"', "there is no such file"),
        ("[station]\n[broker]\nport = true", "allowed is a whole number"),
        ('[station]\n[broker]\n[[hub]]\nname = "a"\n[[hub]]\nname = "a"', "there is a hub of that name already"),
        ('[station]\n[broker]\n[[hub]]\nname = "a"\nair_file = "x.csv"', "with bus = 'simulated' only"),
        (
            '[station]\n[broker]\n[[hub]]\nname = "a"\n[[probe]]\nhub = "a"\nname = "x"\n[[probe]]\nhub = "a"\nname = "y"',
            r"probe\[2\].address = 68: probe\[1\] has it already",
        ),
        (
            (
                '[station]\n[broker]\n[[hub]]\nname = "a"\n'
                '[[probe]]\nhub = "a"\nname = "x"\n[[probe]]\nhub = "a"\nname = "y"\nmux = 0x70\nchannel = 0'
            ),
            "a probe on the bus itself has that address",
        ),
        ('[station]\n[store]\nkind = "victoriametrics"', "store.url: is missing"),
        ('[station]\n[store]\nkind = "victoriametrics"\nurl = "nas:8428"', "allowed is http://HOST:PORT"),
        ('[station]\n[store]\nkind = "influxdb"\nurl = "http://nas:8086"\norg = "loft"', "store.bucket: is missing"),
    ],
)
def test_one_clear_line(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(ConfigError, match=says) as caught:
        load_config(write(tmp_path, text))
    assert len(caught.value.problems) == 1


def test_the_folder_is_found_in_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    here = write(tmp_path / "here" / "config", "[station]")
    monkeypatch.chdir(here.parent)
    assert find_folder(None, {}) == Path("config")
    assert find_folder(None, {"NESTCLIMATE_CONFIG": str(here)}) == here
    with pytest.raises(ConfigError, match=r"no station\.toml in"):
        find_folder(str(tmp_path), {})


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("reservoir_days = nan", "alarms.reservoir_days = nan: allowed is 1 to 60"),
        ("swing_temp_c = nan", "alarms.swing_temp_c = nan: allowed is 2 to 30"),
        ("reservoir_days = 1", "alarms.reservoir_urgent_days = 2: allowed is up to alarms.reservoir_days, 1"),
    ],
)
def test_alarms_that_would_never_or_always_come_are_refused(tmp_path: Path, text: str, told: str) -> None:
    folder = write(tmp_path, f"[station]\n[alarms]\n{text}\n")
    with pytest.raises(ConfigError) as caught:
        load_config(folder)
    assert [line.partition(".toml: ")[2] for line in caught.value.problems] == [told]


def test_a_byte_order_mark_and_windows_line_ends_are_harmless(tmp_path: Path) -> None:
    (tmp_path / "station.toml").write_bytes(b"\xef\xbb\xbf[station]\r\nname = 'loft'\r\n")
    assert load_config(tmp_path).station.name == "loft"

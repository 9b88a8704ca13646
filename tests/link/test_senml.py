"""SenML packs against the worked examples of RFC 8428 section 5.1 and its rules, then against anything at all."""

import json
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.errors import InputError, PayloadError
from sensord.link.senml import decode, decode_pack, encode, resolve
from sensord.model import Reading

NOW_MS = 1_790_000_000_000


def pack(*records: dict) -> bytes:
    return json.dumps(records).encode()


def test_rfc_8428_example_of_one_data_point_is_dated_now() -> None:
    (record,) = resolve([{"n": "urn:dev:ow:10e2073a01080063", "u": "Cel", "v": 23.1}], NOW_MS)
    assert (record.name, record.unit, record.value) == ("urn:dev:ow:10e2073a01080063", "Cel", 23.1)
    assert record.time_s == NOW_MS / 1000


def test_rfc_8428_example_of_several_data_points_takes_base_name_time_and_unit() -> None:
    """Section 5.1.2: voltage and current, version 5, times before the base time."""
    example = json.loads(
        """[
        {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
         "n":"voltage","u":"V","v":120.1},
        {"n":"current","t":-5,"v":1.2}, {"n":"current","t":-4,"v":1.3}, {"n":"current","t":-3,"v":1.4},
        {"n":"current","t":-2,"v":1.5}, {"n":"current","t":-1,"v":1.6}, {"n":"current","v":1.7}]"""
    )
    found = resolve(example, NOW_MS)
    base_s = 1_276_020_076.001
    assert [record.unit for record in found] == ["V", *["A"] * 6]
    assert [record.value for record in found] == [120.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7]
    assert [record.time_s for record in found] == pytest.approx([base_s + t for t in (0, -5, -4, -3, -2, -1, 0)])
    assert {record.name for record in found} == {
        "urn:dev:ow:10e2073a0108006:voltage",
        "urn:dev:ow:10e2073a0108006:current",
    }


def test_rfc_8428_example_of_several_measurements_takes_base_unit_unless_a_unit_is_given() -> None:
    """Section 5.1.3: humidity along a way, with longitude and latitude, and battery at 150 s."""
    example = json.loads(
        """[
        {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
        {"u":"lon","v":24.30621},{"u":"lat","v":60.07965},
        {"t":60,"v":20.3},{"u":"lon","t":60,"v":24.30622},{"u":"lat","t":60,"v":60.07965},
        {"t":120,"v":20.7},{"u":"%EL","t":150,"v":98},{"t":180,"v":21.2}]"""
    )
    humidity = [record for record in resolve(example, NOW_MS) if record.unit == "%RH"]
    assert [(record.time_s - 1_320_067_464, record.value) for record in humidity] == [
        (0, 20),
        (60, 20.3),
        (120, 20.7),
        (180, 21.2),
    ]


def test_base_value_is_added_and_stays_until_the_next_one() -> None:
    """RFC 8428 section 4.1: a base value is added to the value found in an entry."""
    records = [
        {"bn": "shelf/a/", "bt": 1_790_000_000, "bv": 20, "bu": "Cel", "n": "temperature", "v": 3.5},
        {"n": "temperature", "t": 1, "v": -1},
        {"bv": 0, "n": "temperature", "t": 2, "v": 21},
    ]
    assert [reading.temp_c for reading in decode(pack(*records), NOW_MS, "shelf")] == [23.5, 19, 21]


@pytest.mark.parametrize(
    ("base", "time", "expected_ms"),
    [
        (None, None, NOW_MS),
        (None, -60, NOW_MS - 60_000),
        (-60, -0.5, NOW_MS - 60_500),
        (None, 2**28, 2**28 * 1000),
        (1_790_000_000, 0.1234, 1_790_000_000_123),
        (1_790_000_000.5, 0.0006, 1_790_000_000_501),
    ],
)
def test_times_below_2_to_28_count_from_now(base: float | None, time: float | None, expected_ms: int) -> None:
    """RFC 8428 section 4.5.3; milliseconds are rounded."""
    record = {"n": "shelf/a/temperature", "u": "Cel", "v": 1}
    record |= {"bt": base} if base is not None else {}
    record |= {"t": time} if time is not None else {}
    assert decode(pack(record), NOW_MS, "shelf") == [Reading("shelf/a", expected_ms, 1, None)]


def test_one_quantity_missing_leaves_the_other() -> None:
    found = decode(pack({"n": "shelf/a/humidity", "u": "%RH", "v": 71.5, "t": 1_790_000_000}), NOW_MS, "shelf")
    assert found == [Reading("shelf/a", NOW_MS, None, 71.5)]


def test_unknown_labels_and_other_quantities_are_passed_over() -> None:
    records = [
        {"bn": "shelf/a/", "bt": 1_790_000_000, "n": "temperature", "u": "Cel", "v": 24, "colour": {"red": [1]}},
        {"n": "pressure", "u": "Pa", "v": 101_325},
        {"n": "lid", "vb": False},
        {"n": "maker", "vs": "ours"},
    ]
    assert decode(pack(*records), NOW_MS, "shelf") == [Reading("shelf/a", NOW_MS, 24, None)]


GOOD = {"n": "shelf/a/temperature", "u": "Cel", "v": 24, "t": 1_790_000_000}


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "not JSON"),
        (b"\xff\xfe", "not JSON"),
        (b"[" * 100_000, "not JSON: nested too deeply"),
        (b"[1" + b"0" * 5_000 + b"]", "not JSON"),
        (b" " * 5_000_000, "bytes"),
        (b"{}", "not SenML"),
        (b"[]", "not SenML"),
        (b"[1]", "not SenML"),
        (b'[{"n":"shelf/a/temperature","u":"Cel","v":NaN}]', "NaN is no number"),
        (b'[{"n":"shelf/a/temperature","u":"Cel","v":-Infinity}]', "-Infinity is no number"),
        (b'[{"n":"shelf/a/temperature","u":"Cel","v":1e999}]', "too large"),
        (b'[{"n":"shelf/a/temperature","u":"Cel","v":1' + b"0" * 400 + b"}]", "too large"),
        (pack(GOOD | {"v": True}), "v = True: allowed is a number"),
        (pack(GOOD | {"v": "24"}), "v = 24: allowed is a number"),
        (pack({"n": "shelf/a/temperature", "u": "Cel", "vs": "24"}), "the value is no number"),
        (pack({"n": "shelf/a/temperature", "u": "Cel", "vb": True}), "the value is no number"),
        (pack(GOOD | {"vs": "24"}), "more than one value"),
        (pack({"n": "shelf/a/temperature", "u": "Cel"}), "no value"),
        (pack(GOOD | {"u": "K"}), "is in K: allowed is Cel"),
        (pack({"n": "shelf/a/temperature", "v": 24}), "allowed is Cel"),
        (pack(GOOD | {"must_": 1}), "must be understood"),
        (pack(GOOD | {"bver": 11}), "bver = 11"),
        (pack(GOOD | {"bver": 10.0}), "bver = 10.0"),
        (pack(GOOD | {"bn": 7}), "bn = 7: allowed is text"),
        (pack(GOOD | {"t": 1_790_000_000_000}), "seconds since 1970"),
        (pack(GOOD | {"t": -1e12}), "seconds since 1970"),
        (pack(GOOD | {"n": "other/a/temperature"}), "does not belong to hub 'shelf'"),
        (pack(GOOD | {"n": "a/temperature"}), "does not belong to hub 'shelf'"),
        (pack(GOOD | {"n": "shelf/A/temperature"}), "a name is HUB/PROBE"),
        (pack(GOOD | {"n": "shelf/a/b/temperature"}), "a name is HUB/PROBE"),
        (pack(GOOD | {"n": "shelf/ä/temperature"}), "allowed are letters"),
        (pack(GOOD | {"n": "_shelf/a/temperature"}), "allowed are letters"),
        (pack(GOOD | {"n": "shelf/a/pressure"}), "no temperature and no humidity"),
        (pack(GOOD | {"v": 5_000}), "allowed is -273.15 to 1000"),
        (pack(GOOD | {"after": -1}), "after = -1"),
    ],
)
def test_what_is_not_allowed_is_refused_in_one_line(payload: bytes, reason: str) -> None:
    with pytest.raises(PayloadError) as refused:
        decode(payload, NOW_MS, "shelf")
    line = str(refused.value)
    assert reason in line
    assert "\n" not in line
    assert len(line) < 400


names = st.text(string.ascii_lowercase + string.digits, min_size=1, max_size=8)
values = st.one_of(st.none(), st.floats(-45, 130))
rows = st.builds(
    Reading,
    names.map(lambda name: f"shelf/{name}"),
    st.integers(1_600_000_000_000, 4_000_000_000_000),
    values,
    st.one_of(st.none(), st.floats(0, 100)),
).filter(lambda row: row.temp_c is not None or row.rh_pct is not None)


@given(st.lists(rows, min_size=1, max_size=20, unique_by=lambda row: (row.probe, row.at_ms)), st.integers(0, 2**62))
def test_every_pack_comes_back_as_it_was(readings: list[Reading], after: int) -> None:
    back = decode_pack(encode(readings, after), NOW_MS, "shelf")
    assert sorted(readings, key=lambda row: (row.at_ms, row.probe)) == sorted(
        back.readings, key=lambda row: (row.at_ms, row.probe)
    )
    assert back.after == after


labels = (
    st.sampled_from(["bn", "bt", "bu", "bv", "bver", "n", "u", "v", "vs", "vb", "t", "s", "after", "x_"]) | st.text()
)
json_like = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(labels, inner, max_size=6),
    max_leaves=12,
)


@given(st.one_of(st.binary(), json_like.map(lambda each: json.dumps([each]).encode())))
def test_any_bytes_are_decoded_or_refused_never_worse(payload: bytes) -> None:
    reason = None
    try:
        found = decode(payload, NOW_MS, "shelf")
    except PayloadError as refused:
        found, reason = [], str(refused)
    assert found or (reason and len(reason.splitlines()) == 1)


def test_a_pack_of_two_hubs_or_of_nothing_cannot_be_built() -> None:
    for readings in ([], [Reading("a", 1, 1, 1)], [Reading("x/a", 1, 1, 1), Reading("y/a", 1, 1, 1)]):
        with pytest.raises(InputError):
            encode(readings)
    with pytest.raises(InputError):
        encode([Reading("x/a", 1, None, None)])

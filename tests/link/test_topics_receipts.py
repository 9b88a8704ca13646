"""Topics, and the arithmetic of receipts."""

import pytest

from sensord.errors import PayloadError
from sensord.link import topics
from sensord.link.receipts import Receipt, advance, decode_receipt, encode_receipt
from sensord.link.senml import Pack
from sensord.model import Reading


def test_what_is_built_is_understood() -> None:
    assert topics.parse("nestclimate/1/shelf/readings") == topics.ReadingsTopic("shelf")
    assert topics.parse(topics.readings("shelf", "ab12", 7)) == topics.ReadingsTopic("shelf", "ab12", 7)
    assert topics.parse(topics.receipts("shelf")) == topics.ReceiptsTopic("shelf")
    assert topics.parse(topics.status("shelf")) == topics.StatusTopic("shelf")


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "nestclimate/2/shelf/readings",
        "nestclimate/1/Shelf/readings",
        "nestclimate/1/shelf",
        "nestclimate/1/shelf/readings/spool",
        "nestclimate/1/shelf/readings/spool/0",
        "nestclimate/1/shelf/readings/spool/-1",
        "nestclimate/1/shelf/readings/spool/x",
        "nestclimate/1/shelf/readings/spool/9999999999999999999",
        "nestclimate/1/shelf/readings/spool/" + "9" * 5000,
        "nestclimate/1/shelf/readings/sp ool/1",
        "nestclimate/1/shelf/readings/spool/1/2",
        "nestclimate/1/shelf/other",
    ],
)
def test_any_other_topic_is_refused(topic: str) -> None:
    with pytest.raises(PayloadError, match="allowed are"):
        topics.parse(topic)


def pack(count: int, after: int | None) -> Pack:
    return Pack([Reading("shelf/a", at_ms, 20.0, 50.0) for at_ms in range(count)], after)


@pytest.mark.parametrize(
    ("upto", "seq", "count", "after", "expected"),
    [
        (None, 10, 10, 0, 10),  # the oldest that waits: all before it is stored or given up
        (None, 20, 10, 10, 0),  # the pack before it is missing
        (10, 20, 10, 10, 20),
        (10, 30, 10, 20, 10),  # 11 to 20 were lost
        (20, 10, 10, 0, 20),  # a repeat does not take a receipt back
        (10, 30, 3, 7, 30),  # numbers between were given up by a full outbox
        (None, 50, 3, None, 50),  # another maker's hub: its first pack is the base
        (50, 53, 3, None, 53),
        (50, 57, 3, None, 50),
        (50, 52, 3, None, 52),  # overlapping repeat
    ],
)
def test_receipts_advance_over_no_gap(upto: int | None, seq: int, count: int, after: int | None, expected: int) -> None:
    assert advance(upto, seq, pack(count, after)) == expected


def test_a_receipt_comes_back_as_it_was() -> None:
    assert decode_receipt(encode_receipt(Receipt("ab", 12))) == Receipt("ab", 12)
    assert encode_receipt(Receipt("ab", 12)) == b'{"spool": "ab", "upto": 12}'


@pytest.mark.parametrize(
    "payload", [b"", b"[]", b"{}", b'{"spool":1,"upto":1}', b'{"spool":"a","upto":-1}', b'{"spool":"a","upto":true}']
)
def test_what_is_no_receipt_is_refused(payload: bytes) -> None:
    with pytest.raises(PayloadError, match="receipt"):
        decode_receipt(payload)

"""The outbox: on disk before anything else, bounded, and never taken for another."""

from pathlib import Path

import pytest

from sensord.errors import StoreError
from sensord.link.outbox import Outbox, Taken
from sensord.link.receipts import Receipt

BASE = 29_000_000
"""Minutes since 1970, in 2025."""


def scan(number: int, *, at_ms: int | None = None, probes: int = 2) -> list[Taken]:
    when = number * 60_000 if at_ms is None else at_ms
    return [Taken(f"shelf/p{each}", number * 60_000, when, 20.0 + each, 50.0) for each in range(probes)]


def undated(number: int) -> list[Taken]:
    return [Taken("shelf/p0", number * 60_000, None, 20.0, 50.0)]


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "data" / "outbox-shelf.db"


def test_sequence_numbers_and_spool_survive_a_restart_even_when_all_is_sent(file: Path) -> None:
    outbox = Outbox(file, boot="one")
    spool = outbox.spool
    outbox.append(scan(1))
    assert outbox.settle(Receipt(spool, 2))
    outbox.close()
    outbox = Outbox(file, boot="two")
    outbox.append(scan(2))
    assert outbox.spool == spool
    assert [row.seq for row in outbox.rows(0, 10)] == [3, 4]
    outbox.close()


def test_a_receipt_removes_up_to_its_number_and_no_other_spool_s_does(file: Path) -> None:
    outbox = Outbox(file, boot="one")
    outbox.append(scan(1, probes=5))
    assert not outbox.settle(Receipt("elsewhere", 5))
    assert outbox.fill().rows == 5
    assert outbox.settle(Receipt(outbox.spool, 3))
    assert [row.seq for row in outbox.rows(0, 10)] == [4, 5]
    assert (outbox.waiting_before(4), outbox.waiting_before(5)) == (0, 4)
    outbox.close()


def test_a_receipt_for_a_number_never_given_out_begins_a_new_spool(file: Path) -> None:
    """A copied card: the other one's receipts must not remove our readings."""
    outbox = Outbox(file, boot="one")
    outbox.append(scan(1))
    spool = outbox.spool
    assert not outbox.settle(Receipt(spool, 99))
    assert outbox.spool != spool
    assert outbox.fill().rows == 2
    outbox.close()


def test_a_card_in_another_machine_begins_a_new_spool(file: Path) -> None:
    spools = []
    for machine in ("a", "a", "b"):
        outbox = Outbox(file, boot="one", machine=machine)
        spools.append(outbox.spool)
        outbox.close()
    assert spools[0] == spools[1] != spools[2]


def test_a_full_outbox_thins_its_older_half_keeps_the_newest_and_counts(file: Path) -> None:
    outbox = Outbox(file, boot="one", most_rows=400)
    for number in range(1, 601):
        outbox.append(scan(number))
    rows = outbox.rows(0, 10_000)
    fill = outbox.fill()
    scans = sorted({row.at_ms // 60_000 for row in rows})
    assert len(rows) == fill.rows <= 400
    assert fill.given_up == 1_200 - fill.rows
    assert scans[-100:] == list(range(501, 601))  # the newer half, at least, is whole
    assert scans[0] == 1  # and the oldest is thinned, not cut off
    assert sum(1 for each in scans if each <= 300) > 10
    outbox.close()


def test_one_scan_larger_than_the_bound_still_ends(file: Path) -> None:
    outbox = Outbox(file, boot="one", most_rows=2)
    for number in range(1, 4):
        outbox.append(scan(number, probes=5))
    assert {row.at_ms for row in outbox.rows(0, 99)} == {180_000}
    assert outbox.fill().given_up == 10
    outbox.close()


@pytest.mark.parametrize("torn", ["cut", "zeroes"])
def test_a_log_torn_by_a_power_cut_gives_whole_scans_from_the_first_on(tmp_path: Path, file: Path, torn: str) -> None:
    """As a card leaves it that did not write what it said: the file as it is, its log cut or zeroed somewhere."""
    outbox = Outbox(file, boot="one")
    for number in range(1, 41):
        outbox.append(scan(BASE + number, probes=20))
    log = Path(f"{file}-wal").read_bytes()
    for share in (0.13, 0.37, 0.61, 0.85, 0.99):
        kept = int(len(log) * share)
        copy = tmp_path / f"{share}" / file.name
        copy.parent.mkdir()
        copy.write_bytes(file.read_bytes())
        Path(f"{copy}-wal").write_bytes(log[:kept] + (b"" if torn == "cut" else bytes(len(log) - kept)))
        after = Outbox(copy, boot="two")
        seqs = [row.seq for row in after.rows(0, 9_999)]
        assert after.moved_aside is None
        assert seqs == list(range(1, len(seqs) + 1))
        assert len(seqs) % 20 == 0
        assert len(seqs) >= 800 * (share - 0.15)
        after.close()
    outbox.close()


def overwrite_a_page(file: Path) -> None:
    """Zeroes in the middle of the readings, as a worn card does."""
    pages = file.stat().st_size // 4096
    with file.open("r+b") as opened:
        opened.seek(pages // 2 * 4096)
        opened.write(bytes(4096))


def test_what_can_still_be_read_of_a_damaged_file_goes_into_the_new_one(file: Path) -> None:
    """All but the readings of the damaged page: from the oldest up to it, from the newest back to it."""
    outbox = Outbox(file, boot="one")
    for number in range(1, 201):
        outbox.append(scan(BASE + number, probes=20))
    outbox.append(undated(1))
    outbox.close()
    overwrite_a_page(file)
    outbox = Outbox(file, boot="one")
    assert outbox.learn_offset(5_000) == 1
    found = {(row.at_ms, row.probe, row.temp_c) for row in outbox.rows(0, 9_999)}
    everything = {
        (row.at_ms, row.probe, row.temp_c) for number in range(1, 201) for row in scan(BASE + number, probes=20)
    }
    found.remove((65_000, "shelf/p0", 20.0))
    assert found < everything
    assert len(everything - found) < 200
    assert {scan(BASE + 1)[0].at_ms, scan(BASE + 200)[0].at_ms} <= {at_ms for at_ms, _, _ in found}
    outbox.close()


@pytest.mark.parametrize("at_work", ["rows", "settle"])
def test_damage_found_at_work_begins_a_new_spool_at_once(file: Path, at_work: str) -> None:
    outbox = Outbox(file, boot="one")
    for number in range(1, 201):
        outbox.append(scan(BASE + number, probes=20))
    spool, waiting = outbox.spool, outbox.fill().rows
    outbox._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    overwrite_a_page(file)
    outbox._connection.execute("PRAGMA shrink_memory")
    if at_work == "rows":
        assert waiting - 200 < len(outbox.rows(0, 9_999)) < waiting
    else:
        assert not outbox.settle(Receipt(spool, 4_000))
    assert outbox.spool != spool
    assert waiting - 200 < len(outbox.rows(0, 9_999)) < waiting
    outbox.close()


def test_a_file_that_somebody_deletes_is_written_anew_with_all_that_waits(
    file: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """It would be gone with the end of the process, and nobody would have been told."""
    outbox = Outbox(file, boot="one")
    outbox.append(scan(BASE + 1))
    for each in file.parent.iterdir():
        each.unlink()
    outbox.append(scan(BASE + 2))
    outbox.close()
    assert "was deleted while in use" in caplog.text
    outbox = Outbox(file, boot="two")
    assert [row.at_ms for row in outbox.rows(0, 9)] == [each.at_ms for n in (1, 2) for each in scan(BASE + n)]
    outbox.close()


def test_a_file_deleted_without_its_log_is_not_mixed_with_the_new_one(file: Path) -> None:
    outbox = Outbox(file, boot="one")
    outbox.append(scan(BASE + 1))
    file.unlink()
    outbox.append(scan(BASE + 2))
    with pytest.raises(StoreError, match="another 'nestclimate sense' uses it"):
        Outbox(file, boot="one")
    outbox.close()
    outbox = Outbox(file, boot="one")
    assert outbox.moved_aside is None
    assert outbox.fill().rows == 4
    outbox.close()


def test_a_full_disk_is_told_with_the_file_and_the_room_of_the_log_is_used_first(file: Path) -> None:
    """The limit of pages makes SQLite itself answer that the disk is full."""
    outbox = Outbox(file, boot="one")
    outbox.append(scan(BASE + 1))
    pages = outbox._connection.execute("PRAGMA page_count").fetchone()[0]
    outbox._connection.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(
        StoreError, match=r"outbox .*outbox-shelf\.db: takes nothing .*full.*: the card may be"
    ) as caught:
        outbox.append(scan(BASE + 2, probes=500))
    assert len(caught.value.problems) == 1
    assert Path(f"{file}-wal").stat().st_size == 0
    assert outbox.fill().rows == 2
    outbox.close()


@pytest.mark.parametrize("damage", ["truncated", "garbage", "middle"])
def test_a_file_that_cannot_be_read_is_moved_aside_and_a_new_spool_begun(file: Path, damage: str) -> None:
    outbox = Outbox(file, boot="one")
    spool = outbox.spool
    for number in range(30):
        outbox.append(scan(number, probes=20))
    outbox.close()
    whole = file.read_bytes()
    middle = len(whole) // 2
    bad = {
        "truncated": whole[: middle // 4096 * 4096 + 100],
        "garbage": b"x" * 5_000,
        "middle": whole[:4096] + b"\xa5" * (len(whole) - 4096),
    }
    file.write_bytes(bad[damage])
    outbox = Outbox(file, boot="one")
    assert outbox.moved_aside == file.with_name("outbox-shelf.db.damaged-1")
    assert outbox.moved_aside.read_bytes() == bad[damage]
    assert outbox.spool != spool
    outbox.append(scan(1))
    assert outbox.fill().rows == 2
    outbox.close()


def test_two_processes_on_one_outbox_refuse(file: Path) -> None:
    outbox = Outbox(file, boot="one")
    with pytest.raises(StoreError, match="another 'nestclimate sense' uses it"):
        Outbox(file, boot="one")
    outbox.close()
    Outbox(file, boot="one").close()


def test_nothing_undated_is_given_out_and_the_time_once_known_dates_this_boot(file: Path) -> None:
    outbox = Outbox(file, boot="one")
    outbox.append(scan(1))
    outbox.append(undated(2))
    outbox.append(undated(3))
    assert [row.seq for row in outbox.rows(0, 10)] == [1, 2]
    assert outbox.learn_offset(5_000) == 2
    assert [row.at_ms for row in outbox.rows(0, 10)] == [60_000, 60_000, 125_000, 185_000]
    assert outbox.learn_offset(9_000) == 0
    assert [row.at_ms for row in outbox.rows(2, 10)] == [125_000, 185_000]
    outbox.close()
    outbox = Outbox(file, boot="one")
    assert outbox.offset_ms == 9_000
    outbox.close()


def test_readings_of_an_earlier_boot_that_never_learnt_the_time_are_set_apart_and_counted(file: Path) -> None:
    outbox = Outbox(file, boot="one")
    outbox.append(undated(1))
    outbox.close()
    outbox = Outbox(file, boot="two")
    outbox.append(scan(5))
    outbox.learn_offset(1)
    fill = outbox.fill()
    assert (fill.rows, fill.undated, fill.oldest_ms) == (2, 1, 300_000)
    assert outbox.waiting_before(3) == 2
    assert [row.seq for row in outbox.rows(0, 9)] == [2, 3]
    outbox.close()


def test_values_that_are_no_numbers_count_as_missing(file: Path) -> None:
    outbox = Outbox(file, boot="one")
    outbox.append([Taken("shelf/a", 1, 1, float("nan"), 50.0), Taken("shelf/b", 1, 1, float("inf"), None)])
    assert [(row.probe, row.temp_c, row.rh_pct) for row in outbox.rows(0, 9)] == [("shelf/a", None, 50.0)]
    outbox.close()

"""Nests and placements in their grids, as a keeper's hands would: real Chromium, its real clipboard, a real database."""

from __future__ import annotations

import pytest
from keeper_room import keeper_room, served, sign_in
from playwright.sync_api import expect
from waiting import wait_until

from sensord.clock import DAY_MS, to_ms
from sensord.model import Nest, NestKind, Place, Placement

pytestmark = [pytest.mark.chromium, pytest.mark.slow]

SCREEN = {"width": 1180, "height": 820}
ROWS = ".grid .tabulator-row"


@pytest.fixture
def room(tmp_path, clock):
    return keeper_room(tmp_path, clock)


@pytest.fixture
def tubes(room, clock):
    """Three nests that stand for a month."""
    since_ms = to_ms(clock.now()) - 30 * DAY_MS
    room.registry.put_nests(
        [
            Nest(name, NestKind.TUBE, "ant room", "A", "Lasius niger", since_ms=since_ms, reservoir_ml=8)
            for name in ("A-1", "A-2", "A-10")
        ]
    )
    return room


@pytest.fixture
def keeper(browser, room):
    """A page of the signed-in keeper; opens an address and waits for its grid. Complaints fail the test at the end."""
    complaints, contexts = [], []
    with served(room) as address:

        def open_page(path, *, signed_in=True, **options):
            context = browser.new_context(viewport=SCREEN, **options)
            context.grant_permissions(["clipboard-read", "clipboard-write"], origin=address)
            contexts.append(context)
            page = context.new_page()
            page.on("console", lambda said: complaints.append(said.text) if said.type in {"error", "warning"} else None)
            page.on("pageerror", lambda error: complaints.append(str(error)))
            page.on("request", lambda asked: None if asked.url.startswith(address) else complaints.append(asked.url))
            if signed_in:
                sign_in(page, room, address)
            page.goto(address + path)
            page.wait_for_selector(".grid.tabulator .tabulator-header" if signed_in else ".grid.tabulator")
            return page

        open_page.complaints = complaints
        yield open_page
        for context in contexts:
            context.close()
    assert [] == [line for line in complaints if "400 (BAD REQUEST)" not in line and "409 (CONFLICT)" not in line]


def cell(page, row, column):
    """A cell by the number of its row and the name of its column."""
    return page.locator(ROWS).nth(row - 1).locator(f'[tabulator-field="{column}"]')


def write(page, row, column, text):
    """By keyboard, as in a spreadsheet."""
    cell(page, row, column).click()
    page.keyboard.press("Enter")
    page.keyboard.type(text)
    page.keyboard.press("Enter")
    expect(cell(page, row, column)).to_have_text(text)


def paste(page, text):
    """Through the real clipboard."""
    page.evaluate("text => navigator.clipboard.writeText(text)", text)
    page.keyboard.press("Control+v")


def save(page, *, says="Saved"):
    page.get_by_role("button", name="Check and save").click()
    expect(page.locator(".grid-says")).to_contain_text(says)


def states(room, name):
    return [(nest.since_ms, nest.stage, nest.rack) for nest in room.registry.history(name)]


def test_a_visitor_reads_and_changes_nothing(tubes, keeper) -> None:
    page = keeper("/colonies", signed_in=False)
    expect(page.locator(ROWS)).to_have_count(3)
    assert ["A-1", "A-2", "A-10"] == page.locator(f'{ROWS} [tabulator-field="nest"]').all_inner_texts()
    assert 0 == page.locator(".grid-tools").count()
    cell(page, 1, "stage").dblclick()
    page.keyboard.press("Enter")
    assert 0 == page.locator(".tabulator-editing").count()
    paste(page, "growing")
    expect(cell(page, 1, "stage")).to_have_text("")


def test_a_change_from_now_on_leaves_the_past_as_it_was(tubes, keeper, clock) -> None:
    page = keeper("/colonies")
    now_ms, since_ms = to_ms(clock.now()), to_ms(clock.now()) - 30 * DAY_MS
    write(page, 2, "stage", "growing")
    expect(page.locator(".grid-says")).to_have_text("1 row changed.")
    save(page)
    assert [(since_ms, None, "A"), (now_ms, "growing", "A")] == states(tubes, "A-2")
    expect(cell(page, 2, "since")).to_have_text("2026-04-01T13:00:00+01:00")


def test_a_correction_holds_for_the_past_too(tubes, keeper, clock) -> None:
    page = keeper("/colonies")
    write(page, 3, "rack", "B")
    page.get_by_label("it was always so").check()
    save(page)
    assert [(to_ms(clock.now()) - 30 * DAY_MS, None, "B")] == states(tubes, "A-10")


def test_a_block_goes_into_an_empty_grid_and_beyond_its_last_row(room, keeper) -> None:
    page = keeper("/colonies")
    expect(page.get_by_text("No nests yet")).to_be_visible()
    lines = ["nest\tkind\troom\track\tspecies\tsince"]
    lines += [f"B-{n}\ttube\tant room\tRack B\tMessor barbarus\t2026-03-01T00:00:00Z" for n in range(1, 13)]
    cell(page, 1, "nest").click()
    paste(page, "\r\n".join(lines) + "\r\n")
    expect(page.locator(".grid-says")).to_have_text("12 rows changed.")
    save(page)
    assert {f"B-{n}" for n in range(1, 13)} == {nest.name for nest in room.registry.nests()}
    assert {"Messor barbarus"} == {nest.species for nest in room.registry.nests()}


def test_a_block_without_names_falls_where_the_cell_is_and_one_cell_fills_a_selection(tubes, keeper) -> None:
    page = keeper("/colonies")
    cell(page, 1, "rack").click()
    paste(page, "C\tFormica fusca\nD\tFormica fusca")
    expect(cell(page, 2, "species")).to_have_text("Formica fusca")
    cell(page, 1, "plug").click()
    page.keyboard.press("Shift+ArrowDown")
    page.keyboard.press("Shift+ArrowDown")
    paste(page, "cotton")
    save(page)
    assert {"A-1": ("C", "cotton"), "A-2": ("D", "cotton"), "A-10": ("A", "cotton")} == {
        nest.name: (nest.rack, nest.plug) for nest in tubes.registry.nests()
    }


def test_pasted_rows_find_their_nests_by_name_and_never_rename_one(tubes, keeper) -> None:
    page = keeper("/colonies")
    cell(page, 1, "nest").click()
    paste(page, "nest,room,kind,reservoir_ml\nA-10,ant room,tube,9\nA-11,ant room,tube,7")
    expect(page.locator(".grid-says")).to_have_text("2 rows changed.")
    save(page)
    assert {"A-1": 8, "A-2": 8, "A-10": 9, "A-11": 7} == {
        nest.name: nest.reservoir_ml for nest in tubes.registry.nests()
    }


def test_bad_rows_are_named_and_marked_and_nothing_is_saved_until_they_are_mended(tubes, keeper) -> None:
    page = keeper("/colonies")
    write(page, 1, "stage", "ancient")
    write(page, 2, "bore_mm", "wide")
    write(page, 3, "rack", "B")
    save(page, says="2 rows are not right")
    problems = page.locator(".grid-problems li").all_inner_texts()
    assert problems[1].startswith("row 1: stage = 'ancient'")
    assert problems[2].startswith("row 2: bore_mm")
    assert ["ancient", "wide"] == page.locator(".tabulator-cell.bad").all_inner_texts()
    assert {"A"} == {nest.rack for nest in tubes.registry.nests()}
    write(page, 1, "stage", "nanitic")
    write(page, 2, "bore_mm", "16")
    save(page)
    expect(page.locator(".grid-problems li")).to_have_count(0)
    assert ["nanitic", 16.0, "B"] == [
        tubes.registry.nest("A-1").stage, tubes.registry.nest("A-2").bore_mm, tubes.registry.nest("A-10").rack,
    ]  # fmt: skip


def test_rows_keep_their_numbers_and_problems_through_sorting(tubes, keeper) -> None:
    page = keeper("/colonies")
    page.locator(".tabulator-col-title", has_text="nest").click()
    page.locator(".tabulator-col-title", has_text="nest").click()
    expect(cell(page, 1, "nest")).to_have_text("A-10")
    assert ["1 A-10", "2 A-2", "3 A-1"] == page.locator(f"{ROWS} .row-number").all_inner_texts()[:3]
    cell(page, 1, "nest").click()
    page.keyboard.press("Alt+ArrowUp")
    expect(cell(page, 1, "nest")).to_have_text("A-1")
    page.keyboard.press("Alt+ArrowDown")
    expect(cell(page, 1, "nest")).to_have_text("A-10")
    write(page, 3, "stage", "ancient")
    save(page, says="1 row is not")
    page.get_by_role("button", name="row 3: stage").click()
    expect(page.locator(f"{ROWS}.bad-row .row-number")).to_have_text("3 A-1")


def test_two_keepers_do_not_write_over_each_other(tubes, keeper, clock) -> None:
    page = keeper("/colonies")
    write(page, 1, "rack", "mine")
    tubes.registry.put_nests([Nest("A-2", NestKind.TUBE, "ant room", "theirs", since_ms=to_ms(clock.now()) - DAY_MS)])
    save(page, says="Somebody else changed these rows meanwhile")
    assert "A" == tubes.registry.nest("A-1").rack
    expect(cell(page, 2, "rack")).to_have_text("theirs")
    expect(cell(page, 1, "rack")).to_have_text("mine")
    save(page)
    assert ("mine", "theirs") == (tubes.registry.nest("A-1").rack, tubes.registry.nest("A-2").rack)


def test_a_noted_nest_keeps_its_name_and_delete_clears_the_rest(tubes, keeper) -> None:
    page = keeper("/colonies")
    cell(page, 1, "nest").click()
    page.keyboard.press("Enter")
    assert 0 == page.locator(".tabulator-editing").count()
    page.keyboard.press("Delete")
    expect(cell(page, 1, "nest")).to_have_text("A-1")
    cell(page, 1, "species").click()
    page.keyboard.press("Delete")
    expect(cell(page, 1, "species")).to_have_text("")
    expect(page.locator(".grid-says")).to_have_text("1 row changed.")
    page.get_by_role("button", name="Undo my changes").click()
    expect(cell(page, 1, "species")).to_have_text("Lasius niger")


def test_what_is_copied_is_a_block_for_a_spreadsheet(tubes, keeper) -> None:
    page = keeper("/colonies")
    cell(page, 1, "nest").click()
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("Shift+ArrowDown")
    page.keyboard.press("Control+c")
    assert "A-1\ttube\nA-2\ttube" == page.evaluate("navigator.clipboard.readText()")


def test_hostile_cells_are_only_text(tubes, keeper) -> None:
    page = keeper("/colonies")
    evil = "<img src=x onerror=\"document.title='taken'\">"
    cell(page, 1, "colony").click()
    paste(page, evil)
    expect(cell(page, 1, "colony")).to_have_text(evil)
    save(page)
    page.reload()
    expect(cell(page, 1, "colony")).to_have_text(evil)
    assert "Colonies" == page.title()
    assert 0 == page.locator("main img").count()
    page.locator("table").get_by_role("link", name=evil).click()
    expect(page.locator("h1")).to_have_text(evil)


@pytest.fixture
def placed(tubes, clock):
    """A probe at the wet end of A-1 for a week."""
    tubes.registry.put_placements(
        [Placement("hub-a/p1", "A-1", "ant room", Place.WET_END, to_ms(clock.now()) - 7 * DAY_MS, None, 5.0)]
    )
    return tubes


def stands(room):
    return [(one.nest, one.since_ms, one.until_ms) for one in room.registry.placements(probe="hub-a/p1")]


def test_a_probe_moves_now_and_its_past_stays(placed, keeper, clock) -> None:
    page = keeper("/placements")
    now_ms = to_ms(clock.now())
    write(page, 1, "nest", "A-2")
    save(page)
    assert [("A-1", now_ms - 7 * DAY_MS, now_ms), ("A-2", now_ms, None)] == stands(placed)
    expect(page.locator(f'{ROWS} [tabulator-field="probe"]').filter(has_text="hub-a/p1")).to_have_count(1)


def test_a_placement_ends_with_one_press(placed, keeper, clock) -> None:
    page = keeper("/placements")
    cell(page, 1, "probe").click()
    page.get_by_role("button", name="Ends now").click()
    expect(cell(page, 1, "until")).to_have_text("now")
    save(page)
    assert [("A-1", to_ms(clock.now()) - 7 * DAY_MS, to_ms(clock.now()))] == stands(placed)


def test_a_probe_brought_from_the_page_of_probes_waits_in_a_row_of_its_own(placed, keeper, clock) -> None:
    page = keeper("/placements?probe=hub-a/p2")
    expect(cell(page, 2, "probe")).to_have_text("hub-a/p2")
    for column, text in (("nest", "A-99"), ("room", "ant room"), ("place", "wet_end")):
        write(page, 2, column, text)
    save(page, says="there is no nest A-99 yet")
    [new] = placed.registry.placements(probe="hub-a/p2")
    assert ("A-99", to_ms(clock.now())) == (new.nest, new.since_ms)


def test_the_keyboard_gets_in_and_out_of_the_grid(tubes, keeper) -> None:
    page = keeper("/colonies")
    page.locator("button.main").focus()
    page.keyboard.press("Tab")
    page.keyboard.press("ArrowDown")
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    page.keyboard.type("B")
    page.keyboard.press("Enter")
    expect(cell(page, 2, "rack")).to_have_text("B")
    page.keyboard.press("Escape")
    expect(page.get_by_role("button", name="Check and save")).to_be_focused()
    page.keyboard.press("Shift+Tab")
    wait_until(
        lambda: not page.evaluate("document.querySelector('.grid').contains(document.activeElement)"),
        within_s=5, what="the focus beyond the grid",
    )  # fmt: skip


def test_unsaved_changes_are_not_left_without_a_word(tubes, keeper) -> None:
    page = keeper("/colonies")
    write(page, 1, "rack", "B")
    asked = []
    page.on("dialog", lambda dialog: (asked.append(dialog.type), dialog.accept()))
    page.locator("nav").get_by_role("link", name="Wall").click()
    page.wait_for_url("**/")
    assert ["beforeunload"] == asked

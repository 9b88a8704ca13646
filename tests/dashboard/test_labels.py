"""Labels: an independent reader finds in each code the address of its nest, on screen and on paper; no label is cut.

The codes follow ISO/IEC 18004; ZXing reads them here, which shares nothing with what writes them.
"""

from __future__ import annotations

import io
from urllib.parse import unquote, urlsplit

import pypdfium2
import pytest
import zxingcpp
from browser import serving
from keeper_room import app_of, keeper_room
from PIL import Image

from dashboard.keeping_data import address_of
from dashboard.pages.labels import ACROSS_DOWN
from sensord.clock import DAY_MS, to_ms
from sensord.model import NEST, Entry, EntryKind, Nest, NestKind
from sensord.settings import DashboardSettings

LINK = "http://192.168.1.20:8050"
NAMES = ("A-1", "B 2", "Formica fusca No. 12", "x.y_z-9", "Z" * 32)
MM_TO_POINT = 72 / 25.4
PAPER_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}


@pytest.fixture
def room(tmp_path, clock):
    return keeper_room(tmp_path, clock, f'link = "{LINK}/"\nhost = "0.0.0.0"\nopen_to = "192.168.1.0/24"')


def fill(room, names, rack="A"):
    room.registry.put_nests(
        [Nest(name, NestKind.TUBE, "ant room", f"Rack {rack}", "Camponotus nicobarensis") for name in names]
    )


def address(name):
    """As RFC 3986 writes such a name into a path."""
    return f"{LINK}/nest/{name.replace(' ', '%20')}#entries"


def read(png):
    """What an independent reader finds."""
    return sorted(
        found.text for found in zxingcpp.read_barcodes(Image.open(io.BytesIO(png)), zxingcpp.BarcodeFormat.QRCode)
    )


def printed(browser, at, path):
    """The pages as Chromium prints them."""
    page = browser.new_page()
    page.goto(at + path, wait_until="networkidle")
    pdf = pypdfium2.PdfDocument(page.pdf(prefer_css_page_size=True, print_background=True))
    page.close()
    return pdf


@pytest.mark.chromium
@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_each_code_leads_to_its_nest_and_the_nest_answers(room, browser, scheme) -> None:
    fill(room, NAMES)
    assert all(NEST.fullmatch(name) for name in NAMES)
    app, _ = app_of(room)
    with serving(app) as at:
        page = browser.new_page(viewport={"width": 1180, "height": 820}, color_scheme=scheme, device_scale_factor=2)
        page.goto(at + "/labels", wait_until="networkidle")
        labels = page.locator(".label")
        assert len(NAMES) == labels.count()
        for number in range(len(NAMES)):
            name = labels.nth(number).locator("b").inner_text()
            assert [address(name)] == read(labels.nth(number).screenshot())
        page.close()
    client = app.test_client()
    for name in NAMES:
        path = urlsplit(address(name)).path
        answer = client.get(path)
        assert 200 == answer.status_code, path
        assert f'id="{urlsplit(address(name)).fragment}"' in answer.text
        assert name == unquote(path).removeprefix("/nest/")


@pytest.mark.chromium
@pytest.mark.slow
@pytest.mark.parametrize(("size", "paper"), list(ACROSS_DOWN))
def test_printed_sheets_are_whole_pages_without_a_cut_label(room, browser, size, paper) -> None:
    across, down = ACROSS_DOWN[size, paper]
    names = [f"A-{number}" for number in range(1, across * down + 4)]
    fill(room, names)
    with serving(app_of(room)[0]) as at:
        pdf = printed(browser, at, f"/labels?size={size}&paper={paper}")
    assert 2 == len(pdf)
    found = []
    for page in pdf:
        assert pytest.approx([side * MM_TO_POINT for side in PAPER_MM[paper]], abs=1.0) == list(page.get_size())
        image = page.render(scale=300 / 72).to_pil()
        codes = zxingcpp.read_barcodes(image, zxingcpp.BarcodeFormat.QRCode)
        found += [code.text for code in codes]
        inside = [
            (point.x, point.y) for code in codes for point in (code.position.top_left, code.position.bottom_right)
        ]
        assert all(50 < x < image.width - 50 and 50 < y < image.height - 50 for x, y in inside)
    assert sorted(address(name) for name in names) == sorted(found)


@pytest.mark.chromium
@pytest.mark.slow
def test_no_name_or_species_is_cut_off(room, browser) -> None:
    fill(room, NAMES)
    with serving(app_of(room)[0]) as at:
        page = browser.new_page(viewport={"width": 1920, "height": 1080})
        for size in ("sheet", "tube"):
            page.goto(f"{at}/labels?size={size}", wait_until="networkidle")
            cut = page.evaluate(
                """[...document.querySelectorAll('.label, .label p, .label b, .label i')].filter((one) =>
                one.scrollWidth > one.clientWidth + 1 || one.scrollHeight > one.clientHeight + 1).map((one) => one.textContent)"""
            )
            assert [] == cut, size
        page.close()


def shown(client, query=""):
    page = client.get(f"/labels{query}").text
    return [part.split("</b>")[0] for part in page.split("<b>")[1:]]


def test_racks_and_nests_are_chosen_by_the_address(room, clock) -> None:
    fill(room, ["A-1", "A-2"])
    fill(room, ["B-1", "B-2"], rack="B")
    room.registry.add_entries([Entry(to_ms(clock.now()) - DAY_MS, "A-2", EntryKind.DIED)])
    client = app_of(room)[0].test_client()
    assert ["A-1", "B-1", "B-2"] == shown(client)
    assert ["B-1", "B-2"] == shown(client, "?rack=ant+room/Rack+B")
    assert ["A-1", "B-2"] == shown(client, "?nest=A-1,+B-2")
    assert [] == shown(client, "?nest=<script>")
    assert "No nest fits" in client.get("/labels?nest=none").text
    assert 'class="sheet letter tube"' in client.get("/labels?size=tube&paper=letter").text
    assert 'class="sheet a4 sheet"' in client.get("/labels?size=huge&paper=wall").text


@pytest.mark.parametrize(
    ("settings", "link", "words"),
    [
        ({}, "http://127.0.0.1:8050", "Set link in [dashboard]"),
        ({"host": "0.0.0.0"}, "http://0.0.0.0:8050", "Set link in [dashboard]"),
        ({"link": "http://localhost:8050"}, "http://localhost:8050", "whatever machine reads it"),
        ({"link": LINK}, LINK, "listens on 127.0.0.1 only"),
        ({"link": LINK + "/", "host": "0.0.0.0"}, LINK, ""),
        ({"host": "192.168.1.20"}, LINK, ""),
        ({"link": "http://ants.local:8050", "host": "::"}, "http://ants.local:8050", ""),
    ],
)
def test_an_address_that_no_phone_reaches_says_what_to_set(settings, link, words) -> None:
    found = address_of(DashboardSettings(**settings))
    assert link == found.link
    assert words in found.problem
    assert bool(words) == bool(found.problem)


def test_a_page_of_labels_that_lead_nowhere_says_so_before_anybody_prints(tmp_path, clock) -> None:
    room = keeper_room(tmp_path, clock)
    client = app_of(room)[0].test_client()
    assert "No nests to label yet" in client.get("/labels").text
    fill(room, ["A-1"])
    page = client.get("/labels").text
    assert "A phone cannot reach http://127.0.0.1:8050" in page
    assert page.index("cannot reach") < page.index('class="label"')


def test_a_long_address_says_that_its_code_is_too_fine_for_a_small_label(tmp_path, clock) -> None:
    room = keeper_room(
        tmp_path, clock, f'link = "https://{"a" * 60}.example/{"b" * 100}"\nhost = "0.0.0.0"\nopen_to = "10.0.0.0/8"'
    )
    fill(room, ["A-1"])
    client = app_of(room)[0].test_client()
    assert "too long for a code" in client.get("/labels?size=tube").text
    assert "too long for a code" not in client.get("/labels?size=sheet").text

"""Reviews as one HTML file that needs nothing else, for a screen and for A4, with the data behind them inside. Pure."""

from __future__ import annotations

import base64
import csv
import io
from collections.abc import Iterable, Sequence
from html import escape

import numpy as np

from sensord.clock import HOUR_MS, iso
from sensord.insight.chances import in_words
from sensord.insight.figures import FIGURE_CSS, table
from sensord.insight.in_common import InCommon, sentence
from sensord.insight.review_article import CAUSES, Reviewed, article
from sensord.insight.timeline import Edges

REPORT_CSS = """
@page{size:A4;margin:14mm 15mm}
body{font:15px/1.5 Georgia,"Liberation Serif",serif;color:#222;background:#fff;max-width:46em;margin:2em auto;padding:0 1em}
h1{font-size:1.5em}h2{font-size:1.3em;margin:1.6em 0 .4em}h3{font-size:1.05em;margin:1.3em 0 .3em}
h1,h2,h3{break-after:avoid}
.verdict{border-left:5px solid #35618a;padding:.3em 1em;background:#eef3f7;font-size:1.1em;break-inside:avoid}
.soft,figcaption{color:#555;font-size:.88em}
figure{margin:1em 0;break-inside:avoid}
table{border-collapse:collapse;width:100%;font-size:.82em}tr{break-inside:avoid}thead{display:table-header-group}
th,td{text-align:left;border-bottom:1px solid #ccc;padding:.25em .5em .25em 0;vertical-align:top}
.scroll{overflow-x:auto}.brief td:first-child{white-space:nowrap}
@media print{body{margin:0;max-width:none;padding:0;font-size:11pt}.scroll{overflow:visible}.review+.review{break-before:page}
 -webkit-print-color-adjust:exact;print-color-adjust:exact}
@media print{*{-webkit-print-color-adjust:exact;print-color-adjust:exact}}
"""

TOO_FEW = "Fewer than two of these died by then, so what they have in common is not asked."


def html_of(found: Sequence[Reviewed], common: InCommon | None = None, *, room: str = "") -> str:
    """The report as one HTML document; no script, no request to anywhere, the data inside as a link to save.

    Args:
        common: what several deaths share. room: what the station is called.
    """
    names = ", ".join(one.review.case.nest for one in found)
    first = f"<h1>{escape(names)}: what the climate did</h1><p>{escape(room)}</p>"
    return document(f"{names}: review", first + body_of(found, common), csv_text(found), names)


def body_of(found: Sequence[Reviewed], common: InCommon | None = None, *, folded: bool = False) -> str:
    """The same without the frame of a file, for a page; headings from level 2.

    Args:
        folded: of several, each review is shut until it is opened.
    """
    told = ""
    if len(found) > 1:
        shared = f"<p>{TOO_FEW}</p>" if common is None else common_section(common)
        told = f"<section>{shared}{verdicts(found)}</section>"
    if not folded or len(found) < 2:
        return told + "".join(article(one) for one in found)
    return told + "".join(
        f"<details><summary>{escape(one.review.case.nest)}: {CAUSES[one.review.verdict.cause]}</summary>{article(one)}</details>"
        for one in found
    )


def document(title: str, body: str, data: str, names: str) -> str:
    """A whole file around a body, its data as a link to save."""
    packed = base64.b64encode(data.encode()).decode()
    name = "".join(letter if letter.isalnum() else "-" for letter in names)[:60].strip("-") or "review"
    saved = (
        f'<h2>The data behind it</h2><p><a download="{name}.csv" href="data:text/csv;base64,{packed}">Hour by hour as CSV</a>, '
        "inside this file: it opens without any network.</p>"
    )
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f'<meta name="viewport" content="width=device-width,initial-scale=1"><style>{REPORT_CSS}{FIGURE_CSS}</style></head>'
        f"<body><main>{body}{saved}</main></body></html>\n"
    )


def common_section(common: InCommon) -> str:
    """What the dead have in common: the answer, then each shared thing with its counts."""
    rows = [
        (one.what, f"{one.dead} of {one.of_dead}", f"{one.living} of {one.of_living}", in_words(one.chance), in_words(one.chance_holm))
        for one in common.shared[:12]
    ]  # fmt: skip
    lines = "".join(f"<li>{escape(sentence(one))}</li>" for one in common.shared if one.rare)
    looks = f"{common.looks} things that could have been rare were looked at; 'allowed for' is Holm over all of them."
    heads = ("they", "of the dead", "of those that live", "by chance alone", "allowed for")
    return (
        f'<h2>What these {len(common.dead)} have in common</h2><p class="verdict">{escape(common.because)}</p>'
        f"{f'<ul>{lines}</ul>' if len(common.shared) > 1 and lines.count('<li>') > 3 else ''}"
        f'{table(heads, rows)}<p class="soft">{looks if rows else "Nothing noted of them is shared by two."}</p>'
    )


def verdicts(found: Sequence[Reviewed]) -> str:
    """One line a nest."""
    rows = [(one.review.case.nest, one.review.verdict.because) for one in found]
    return f'<h2>One by one</h2><div class="brief">{table(("nest", "what the climate did"), rows)}</div>'


HEADS = (
    "at", "nest", "place", "temp_c", "rh_pct", "temp_limit_low_c", "temp_limit_high_c", "rh_limit_low_pct", "rh_limit_high_pct",
)  # fmt: skip


def csv_rows(found: Sequence[Reviewed]) -> list[tuple[str, ...]]:
    """The hourly data behind the figures, the heading first; blank where not measured or not believed."""
    rows: list[tuple[str, ...]] = [HEADS]
    for one in found:
        for track in one.timeline.tracks:
            none = np.full(len(track.temp_c), np.nan)
            blank = Edges(none, none, none, none)
            temp, rh = track.temp_band or blank, track.rh_band or blank
            columns = (track.temp_c, track.rh_pct, temp.limit_low, temp.limit_high, rh.limit_low, rh.limit_high)
            for hour, values in enumerate(zip(*(column.tolist() for column in columns), strict=True)):
                cells = ("" if value != value else f"{value:.2f}" for value in values)  # noqa: PLR0124  NaN
                rows.append((iso(track.start_ms + hour * HOUR_MS), one.timeline.nest, str(track.place), *cells))
    return rows


def csv_text(found: Sequence[Reviewed]) -> str:
    """The same as a file."""
    return csv_of(csv_rows(found))


def csv_of(rows: Iterable[Sequence[str]]) -> str:
    """Rows as the text of a CSV file."""
    text = io.StringIO()
    csv.writer(text).writerows(rows)
    return text.getvalue()

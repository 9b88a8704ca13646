"""Contrast in light and dark, by the published formula."""

from __future__ import annotations

import pytest

from dashboard.theme import DARK, LIGHT, SHAPE_ON, TEXT_ON, contrast


def test_the_formula_gives_w3c_s_own_figures() -> None:
    """W3C, Understanding WCAG 2.2, 1.4.3: #767676 on white is 4.54 : 1; black on white is 21 : 1."""
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") < 4.5


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_every_text_and_shape_stands_out(colours) -> None:
    """WCAG 2.2: text at least 4.5 : 1 (1.4.3), shapes that carry meaning at least 3 : 1 (1.4.11)."""
    low = [(one, other) for one, other in TEXT_ON if contrast(colours[one], colours[other]) < 4.5]
    low += [(one, other) for one, other in SHAPE_ON if contrast(colours[one], colours[other]) < 3.0]
    assert [] == low
    assert set(LIGHT) == set(DARK)

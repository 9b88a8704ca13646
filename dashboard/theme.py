"""The look: one table of colours for light and dark, and the WCAG formula that holds it to its contrast.

Grey and quiet while all is well. Hues follow Okabe and Ito's palette for colour-vision deficiency (Color Universal
Design, 2008): vermillion, orange, sky blue, darkened or lightened until they stand out enough on their ground.
"""

from __future__ import annotations

LIGHT = {
    "ground": "#e9eaec",
    "card": "#f8f8f9",
    "ink": "#1b1d21",
    "soft": "#50555d",
    "line": "#b9bdc4",
    "glass": "#7b818b",
    "water": "#1f77b4",
    "still": "#6b8ba3",
    "cotton": "#d3d6db",
    "act": "#b04600",
    "act-card": "#ffd9c2",
    "on-act": "#ffffff",
    "drift": "#8f5f00",
    "drift-card": "#fbf3e0",
    "blind": "#4a4f57",
    "blind-card": "#dcdee2",
    "blind-stripe": "#cfd2d7",
    "notice": "#1b1d21",
    "on-notice": "#ffd24d",
}
DARK = {
    "ground": "#121417",
    "card": "#1e2126",
    "ink": "#eceef1",
    "soft": "#a9afb8",
    "line": "#3a3f47",
    "glass": "#868d97",
    "water": "#56b4e9",
    "still": "#6d8da3",
    "cotton": "#343a42",
    "act": "#ff7a2f",
    "act-card": "#4c1f08",
    "on-act": "#16110d",
    "drift": "#e69f00",
    "drift-card": "#2b2417",
    "blind": "#c3c8d0",
    "blind-card": "#2a2e34",
    "blind-stripe": "#343941",
    "notice": "#ffd24d",
    "on-notice": "#1b1d21",
}
TEXT_ON = (
    ("ink", "ground"), ("soft", "ground"), ("ink", "card"), ("soft", "card"), ("soft", "cotton"), ("ink", "act-card"), ("soft", "act-card"),
    ("ink", "drift-card"), ("soft", "drift-card"), ("ink", "blind-card"), ("ink", "blind-stripe"),
    ("soft", "blind-card"), ("soft", "blind-stripe"),
    ("on-act", "act"), ("act", "ground"), ("on-notice", "notice"),
)  # fmt: skip
"""Text and its ground: at least 4.5 : 1 (WCAG 2.2, 1.4.3)."""
SHAPE_ON = (
    ("act", "act-card"), ("drift", "drift-card"), ("blind", "blind-card"), ("blind", "blind-stripe"),
    ("still", "card"), ("glass", "card"), ("water", "drift-card"), ("water", "act-card"), ("water", "blind-card"), ("drift", "card"),
    ("drift", "act-card"), ("act", "card"),
)  # fmt: skip
"""Shapes that carry meaning and their ground: at least 3 : 1 (WCAG 2.2, 1.4.11)."""


def theme_css() -> str:
    """The colours as custom properties, light by default, dark where the reader's system asks for it."""
    return (
        f":root{{color-scheme:light dark;{_rules(LIGHT)}}}@media (prefers-color-scheme:dark){{:root{{{_rules(DARK)}}}}}"
    )


def _rules(colours: dict[str, str]) -> str:
    return "".join(f"--{name}:{value};" for name, value in colours.items())


def luminance(colour: str) -> float:
    """Relative luminance of ``#rrggbb``, 0 to 1 (WCAG 2.2, definition of relative luminance)."""
    parts = (int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5))
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours ``#rrggbb``, 1 to 21 (WCAG 2.2, definition of contrast ratio)."""
    darker, lighter = sorted((luminance(one), luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)

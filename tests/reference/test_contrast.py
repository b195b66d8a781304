from __future__ import annotations

import pytest
from asleft.web import palette


def luminance(colour: str) -> float:
    """Relative luminance of "#RRGGBB", WCAG 2.2."""
    parts = [int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


# Closed form of the published formula; 4.5422 is a widely printed landmark.
@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [("#000000", "#FFFFFF", 21.0), ("#767676", "#FFFFFF", 4.5422), ("#FF0000", "#C0C0C0", 2.1977)],
)
def test_the_formula_is_the_published_one(one: str, other: str, ratio: float) -> None:
    assert contrast(one, other) == pytest.approx(ratio, abs=5e-5)


# WCAG 2.2 success criteria 1.4.3 and 1.4.11 (published): 4.5 for text, 3 for large text and graphics.
@pytest.mark.parametrize("name", ["TEXT", "MUTED", "NOW", "SHIFT", "DIGEST", "ACCENT"])
@pytest.mark.parametrize("ground", [palette.GROUND, "#FFFFFF"])
def test_text_can_be_read(name: str, ground: str) -> None:
    assert contrast(getattr(palette, name), ground) >= 4.5


@pytest.mark.parametrize("name", ["MEASURED", "EXPECTED"])
@pytest.mark.parametrize("ground", [palette.GROUND, "#FFFFFF", palette.PLOT_BAND])
def test_lines_can_be_seen(name: str, ground: str) -> None:
    assert contrast(getattr(palette, name), ground) >= 3.0

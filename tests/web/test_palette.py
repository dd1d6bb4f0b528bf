"""The contrast of the palette, in both schemes."""

import re
from pathlib import Path

import pytest

PALETTE = Path(__file__).resolve().parents[2] / "exposure" / "web" / "static" / "css" / "palette.css"


def schemes() -> dict[str, dict[str, str]]:
    light, dark = PALETTE.read_text().split("@media")
    return {
        name: dict(re.findall(r"--([a-z-]+): (#[0-9A-F]{6});", text))
        for name, text in (("light", light), ("dark", dark))
    }


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, definitions of "contrast ratio" and "relative luminance" (w3.org/TR/WCAG22; from memory)."""

    def luminance(colour: str) -> float:
        channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    darker, lighter = sorted((luminance(one), luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


def test_the_contrast_formula_spans_1_to_21_as_published():
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21)
    assert contrast("#6B2D84", "#6B2D84") == 1


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("ground", ["paper", "sheet", "wash"])
@pytest.mark.parametrize(
    "text", ["ink", "ink-soft", "plum", "plum-deep", "blue-ink", "orange-ink", "vermillion-ink"]
)
def test_text_passes_aa_on_every_ground(scheme, ground, text):
    # WCAG 2.2, 1.4.3 Contrast (Minimum), level AA: 4.5 to 1.
    colours = schemes()[scheme]
    assert contrast(colours[text], colours[ground]) >= 4.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("ground", ["paper", "sheet"])
@pytest.mark.parametrize("line", ["edge", "blue", "orange-ink", "vermillion"])
def test_outlines_of_controls_and_marks_pass_aa(scheme, ground, line):
    # WCAG 2.2, 1.4.11 Non-text Contrast, level AA: 3 to 1. Orange alone does not pass: its outline does.
    colours = schemes()[scheme]
    assert contrast(colours[line], colours[ground]) >= 3


def test_the_strips_hues_are_those_of_okabe_and_ito():
    # Okabe and Ito, Color Universal Design (2008): blue, orange, vermillion; sky blue in the dark scheme. From memory.
    light, dark = schemes().values()
    assert (light["blue"], light["orange"], light["vermillion"]) == ("#0072B2", "#E69F00", "#D55E00")
    assert (dark["blue"], dark["orange"]) == ("#56B4E9", "#E69F00")

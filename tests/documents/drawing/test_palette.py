"""Contrast of every text and mark, by the formula of WCAG 2.2 (W3C Recommendation, 'relative luminance')."""

import re

import pytest

from optimizer.documents.drawing.palette import MARK_ON, TEXT_ON, Colour, picture_style, roles

SURROUNDINGS = ("light", "dark", "ink")


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour, WCAG 2.2, section 'Terms'."""
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_gives_the_known_contrasts() -> None:
    # WCAG 2.2: black on white is 21:1; #767676 is the lightest grey that passes 4.5:1 on white (from memory).
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert 4.5 <= contrast("#767676", "#ffffff") < 4.6
    assert contrast("#777777", "#ffffff") < 4.5


@pytest.mark.parametrize("surroundings", SURROUNDINGS)
@pytest.mark.parametrize(("text", "surface"), TEXT_ON)
def test_text_has_a_contrast_of_4_5_to_1_or_more(text: Colour, surface: Colour, surroundings: str) -> None:
    # WCAG 2.2, success criterion 1.4.3, level AA.
    assert contrast(getattr(text, surroundings), getattr(surface, surroundings)) >= 4.5


@pytest.mark.parametrize("surroundings", SURROUNDINGS)
@pytest.mark.parametrize(("mark", "surface"), MARK_ON)
def test_marks_have_a_contrast_of_3_to_1_or_more(mark: Colour, surface: Colour, surroundings: str) -> None:
    # WCAG 2.2, success criterion 1.4.11, level AA.
    assert contrast(getattr(mark, surroundings), getattr(surface, surroundings)) >= 3.0


def test_print_is_black_white_and_grey() -> None:
    printed = picture_style().partition("@media print")[2]
    colours = re.findall(r"#([0-9a-f]{6})", printed)

    assert colours
    assert all(colour[:2] == colour[2:4] == colour[4:] for colour in colours)


def test_where_the_system_sets_all_colours_none_is_our_own() -> None:
    forced = picture_style().partition("@media (forced-colors:active)")[2].partition("@media print")[0]

    assert ".pic .pipe.pipe{stroke:CanvasText}" in forced
    assert "#" not in forced


def test_every_role_has_a_look_on_light_dark_forced_and_paper() -> None:
    style = picture_style()

    for role in roles():
        assert style.count(f".pic .{role}.{role}{{") == 4

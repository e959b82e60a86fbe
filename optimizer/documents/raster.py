"""A picture as SVG → the same as PNG, for files that take no SVG; its letters come along, so it is alike everywhere."""

from __future__ import annotations

from pathlib import Path

from optimizer.errors import DocumentError

LETTERS = Path(__file__).parent / "letters"  # Liberation Sans, SIL Open Font License: see OFL.txt there
_FILES = ("LiberationSans-Regular.ttf", "LiberationSans-Bold.ttf")
_FAMILY = "Liberation Sans"  # as wide as Arial, which the pictures are measured in


def png_of(svg: str, pixels_per_px: float = 1.5) -> bytes:
    """Return the picture in its light colours; the same picture gives the same bytes.

    Parameters
    ----------
    svg
        A picture of its own file (`alone=True`).
    pixels_per_px
        Pixels of the result for each pixel of the picture.

    Raises
    ------
    DocumentError
        When the picture cannot be drawn.
    """
    import resvg_py

    files = [str(LETTERS / name) for name in _FILES]
    try:
        return bytes(
            resvg_py.svg_to_bytes(
                svg_string=svg, zoom=pixels_per_px, skip_system_fonts=True, font_files=files, font_family=_FAMILY
            )
        )
    except ValueError as error:
        raise DocumentError(f"a picture could not be drawn: {error}") from error

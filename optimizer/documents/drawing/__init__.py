"""Pictures: plain values become SVG with readable text, for light and dark screens and for black-and-white print."""

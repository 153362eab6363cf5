"""Charts as SVG text, and how they look."""

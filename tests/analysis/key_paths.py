"""The keys of a document, named as its documentation names them."""

from __future__ import annotations

from collections.abc import Iterator


def key_paths(document: object, prefix: str = "") -> Iterator[str]:
    """Every key, each as often as it occurs, for example ``positions[].reading_mm``.

    The free keys under ``numbers`` are named ``*``.
    """
    if isinstance(document, list):
        for item in document:
            yield from key_paths(item, f"{prefix}[]")
    elif isinstance(document, dict):
        free = prefix.endswith("numbers")
        for key, value in document.items():
            path = f"{prefix}.{'*' if free else key}".lstrip(".")
            yield path
            yield from key_paths(value, path)

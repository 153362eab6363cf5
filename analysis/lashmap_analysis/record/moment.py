"""A moment as people write it."""

from __future__ import annotations

from datetime import UTC, datetime


def moment(started_utc: str) -> str:
    """Write a moment of the record for people.

    Args:
        started_utc: ISO 8601; without an offset it is UTC.

    Returns:
        Such as ``2030-05-17 08:12 UTC``. A date alone, and what is no moment, is returned as it is.
    """
    try:
        parsed = datetime.fromisoformat(started_utc)
    except ValueError:
        return started_utc
    if ":" not in started_utc:  # a date alone would be given midnight
        return started_utc
    when = parsed.astimezone(UTC) if parsed.tzinfo else parsed
    return f"{when:%Y-%m-%d %H:%M} UTC"

"""Profiles of ASCII lines that could not mean what they say are refused when they are read."""

import pytest
from lashmap_drivers.kinds import build
from pydantic import ValidationError

VALUE = r"(?P<value>[+-]?\d+\.\d+)"


@pytest.mark.parametrize(
    ("keys", "complaint"),
    [
        ({"pattern": VALUE, "negative": ["M"]}, "belongs to the group"),
        ({"pattern": r"(?P<sign>[PM])(?P<value>\d+)", "negative": []}, "name at least one text"),
        (
            {"pattern": VALUE + r"(?P<status>\w)", "status": {"overload": ["V"], "low_battery": ["V", "B"]}},
            "'V' cannot mean two things",
        ),
        (
            {"pattern": VALUE + r"(?P<status>\w)", "status": {"good": ["V"], "overload": ["V"]}},
            "'V' cannot mean two things",
        ),
        ({"pattern": VALUE, "terminator": "5"}, "may be part of a number"),
        ({"pattern": VALUE, "terminator": ".\r"}, "may be part of a number"),
        ({"pattern": VALUE, "scale": 1e300}, "scale"),
        ({"pattern": VALUE, "port": {"baud": 10**20}}, "baud"),
        ({"pattern": VALUE, "polling": {"request": "R", "interval_s": 1e-9}}, "interval_s"),
        ({"pattern": VALUE, "polling": {"request": "R", "interval_s": 0.1, "timeout_s": 0}}, "timeout_s"),
    ],
)
def test_a_profile_that_cannot_be_meant_is_refused(keys: dict[str, object], complaint: str) -> None:
    with pytest.raises(ValidationError, match=complaint):
        build({"kind": "ascii line", **keys})

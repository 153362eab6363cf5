"""The methods of a test: rocks at some places, a cycle run over all of them, or both."""

from __future__ import annotations

from typing import Literal

Method = Literal["rock", "cycle", "both"]

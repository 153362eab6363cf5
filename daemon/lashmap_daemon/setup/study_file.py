"""The study file: which parts are tested by which operators, how often, and in which order.

The order is drawn once, when the file is made: within every round each operator tests each part once, in an
order of chance, so that warming up or wear cannot look like a part or an operator.
"""

from __future__ import annotations

import datetime as dt
import json
import random
from typing import Annotated, Self

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, model_validator

from lashmap_daemon.setup.toml_file import Label

Names = Annotated[tuple[Label, ...], Field(min_length=2, max_length=100)]


class StudyTable(BaseModel):
    """The plan of a crossed study."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    parts: Names
    operators: Names
    repeats: Annotated[int, Field(ge=2, le=100)]
    begun: AwareDatetime
    order: tuple[tuple[Label, Label], ...]

    @model_validator(mode="after")
    def _crossed(self) -> Self:
        for what, names in (("parts", self.parts), ("operators", self.operators)):
            if len(set(names)) < len(names):
                raise ValueError(f"{what}: a name stands there twice")
        wanted = sorted((part, operator) for part in self.parts for operator in self.operators) * self.repeats
        if sorted(self.order) != sorted(wanted):
            raise ValueError(
                f"order: expected each part with each operator {self.repeats} times, {len(wanted)} lines; "
                "make a new file with lashmap study plan"
            )
        return self


class StudyFile(BaseModel):
    """A study file as it is read."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    study: StudyTable


def study_text(
    *, parts: tuple[str, ...], operators: tuple[str, ...], repeats: int, seed: int, now: dt.datetime
) -> str:
    """The text of a new study file."""
    chance = random.Random(seed)  # noqa: S311 - an order of tests, no secret
    order = []
    for _ in range(repeats):
        every = [(part, operator) for part in parts for operator in operators]
        chance.shuffle(every)
        order += every
    lines = [
        "# A crossed study of repeatability and reproducibility. `lashmap study next` names the next test.",
        "[study]",
        f"parts = {_list(parts)}",
        f"operators = {_list(operators)}",
        f"repeats = {repeats}",
        f"begun = {now.replace(microsecond=0).isoformat()}",
        "order = [",
        *(f"    {_list(pair)}," for pair in order),
        "]",
    ]
    return "\n".join(lines) + "\n"


def _list(names: tuple[str, ...]) -> str:
    return "[" + ", ".join(json.dumps(name, ensure_ascii=False) for name in names) + "]"

"""The JSON Schemas of the messages, generated from their types into ``docs/schemas``.

Run ``python -m lashmap_daemon.bus.schemas docs/schemas`` after changing a message; a test fails until it is
done.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from lashmap_daemon.bus.messages import SCHEMA
from lashmap_daemon.bus.topics import TOPICS, Topic
from lashmap_daemon.whole_file import write_whole

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schema(topic: Topic) -> dict[str, Any]:
    """The JSON Schema of what travels on a topic."""
    adapter = topic.adapter
    # What we send, so a key with a default is always there; a request may leave it out.
    mode: Any = "validation" if topic.name == "command" else "serialization"
    kept = "retained" if topic.retain else "not retained"
    expiry = "" if topic.expiry_s is None else f", expires after {topic.expiry_s} s"
    return {
        "$schema": DIALECT,
        "$comment": f"Topic <root>/<stand>/{topic.name}: QoS {topic.qos}, {kept}{expiry}; {topic.why}.",
        "title": f"lashmap {topic.name}, schema {SCHEMA}",
        **{
            key: value
            for key, value in adapter.json_schema(by_alias=True, mode=mode).items()
            if key != "title"
        },
    }


def texts() -> dict[str, str]:
    """File name and content of every schema."""
    return {
        f"{topic.name}.schema.json": json.dumps(schema(topic), indent=2, ensure_ascii=False) + "\n"
        for topic in TOPICS
    }


def write(folder: Path) -> None:
    """Write all schemas into ``folder``."""
    for name, text in texts().items():
        write_whole(folder / name, text)


if __name__ == "__main__":
    write(Path(sys.argv[1]))

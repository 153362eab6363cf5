"""Kinds by name, and a kind that another package brings: that of the README, installed for the test."""

from __future__ import annotations

import importlib
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from lashmap_drivers.decoder import Decoder
from lashmap_drivers.kinds import BUILT_IN, AnyProfile, build
from lashmap_drivers.profile import InstrumentProfile
from lashmap_drivers.readings import Chunk, Chunks
from lashmap_drivers.wire.ascii_line import LineProfile
from pydantic import TypeAdapter, ValidationError

README = Path(__file__).parents[2] / "drivers" / "README.md"
ADAPTER: TypeAdapter[InstrumentProfile] = TypeAdapter(AnyProfile)


def example() -> str:
    """The kind that the README shows."""
    found = re.search(r"```python\n# hex_line\.py\n(.*?)```", README.read_text("utf-8"), re.DOTALL)
    assert found is not None
    return found[1]


def install(folder: Path, name: str, source: str, entry_points: str) -> None:
    """What an installer leaves behind: the module, and its metadata (packaging.python.org, core metadata)."""
    (folder / f"{name}.py").write_text(source, "utf-8")
    metadata = folder / f"{name}-1.0.dist-info"
    metadata.mkdir()
    (metadata / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n", "utf-8")
    (metadata / "entry_points.txt").write_text(f"[lashmap.instruments]\n{entry_points}\n", "utf-8")


@pytest.fixture
def packages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.syspath_prepend(str(tmp_path))
    importlib.invalidate_caches()
    yield tmp_path
    for name in ("hex_line", "broken_kind", "wrong_kind"):
        sys.modules.pop(name, None)


def test_the_readme_shows_a_kind_in_twenty_lines() -> None:
    assert len([line for line in example().splitlines() if line.strip()]) <= 20


def test_a_kind_that_another_package_brings(packages: Path) -> None:
    install(packages, "hex_line", example(), "hex line = hex_line:HexLine")
    profile = build({"kind": "hex line", "unit": "um"})
    assert profile.poll() is None
    decoder = Decoder.for_indicator(profile)
    batch = decoder.feed(Chunks.of(Chunk(1.0, b"00ff\n0010\nrubbish\n0001\n")))
    # 0x10 and 1 micrometres; the first line may be a tail.
    assert batch.value.tolist() == pytest.approx([0.016, 0.001])
    assert (decoder.parser.good_frames, decoder.parser.bad_frames) == (2, 1)
    again = ADAPTER.validate_json(ADAPTER.dump_json(profile))
    assert again == profile
    assert type(again) is type(profile)


def test_a_profile_goes_through_a_record_whole() -> None:
    profile = LineProfile(kind="ascii line", pattern=r"(?P<value>\d+)", unit="in")
    assert ADAPTER.validate_json(ADAPTER.dump_json(profile)) == profile


def test_unknown_and_broken_kinds_are_named(packages: Path) -> None:
    install(packages, "broken_kind", "raise RuntimeError('no such library')", "broken = broken_kind:Kind")
    install(packages, "wrong_kind", "Kind = int", "wrong = wrong_kind:Kind")
    for kind, complaint in (
        ("abacus", "expected one of ascii line, bcd frame, broken, counter board, .*, got 'abacus'"),
        ("broken", "the package broken_kind, which brings 'broken', does not load: no such library"),
        ("wrong", "the package wrong_kind brings 'wrong', but not as an InstrumentProfile"),
    ):
        with pytest.raises(ValueError, match=complaint):
            build({"kind": kind})
    with pytest.raises(ValidationError, match="kind: expected one of"):
        ADAPTER.validate_python({})


def test_every_built_in_kind_carries_its_own_name() -> None:
    for kind, profile in BUILT_IN.items():
        assert profile.model_fields["kind"].annotation.__args__ == (kind,)  # type: ignore[union-attr]

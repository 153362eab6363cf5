"""Files that travel with the program: found in a clone, and laid out as in a wheel."""

from __future__ import annotations

from pathlib import Path

import pytest
from daemon.command import lashmap
from daemon.virtual_time import CONFIGS
from lashmap_daemon.commands.run import BOX, SHORT_BOX
from lashmap_daemon.errors import EXIT_CONFIGURATION, ConfigurationError
from lashmap_daemon.setup import shipped as module
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.shipped import shipped
from lashmap_daemon.testing.opening import lay_out


def test_in_a_clone() -> None:
    assert shipped("configs").samefile(CONFIGS)
    assert shipped("docs/schemas/result.schema.json").is_file()
    assert Path(lashmap("examples").stdout.strip()).samefile(CONFIGS)


def test_in_the_layout_of_the_wheel(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    package = tmp_path / "site-packages" / "lashmap_daemon"
    (package / "shipped" / "configs").mkdir(parents=True)
    monkeypatch.setattr(module, "files", lambda _: package)
    assert shipped("configs") == package / "shipped" / "configs"
    with pytest.raises(ConfigurationError, match="did not come with the program"):
        shipped("docs/schemas")


def test_the_short_demonstration_is_of_the_same_box() -> None:
    whole, short = (toml_file.load(shipped(name), BoxFile) for name in (BOX, SHORT_BOX))
    assert len(lay_out(short.recorded())) < len(lay_out(whole.recorded()))
    assert (short.gear_set, short.tip, short.limits) == (whole.gear_set, whole.tip, whole.limits)
    assert (short.mounting, short.simulated) == (whole.mounting, whole.simulated)


def test_a_box_cannot_be_shortened() -> None:
    done = lashmap("demo", shipped(BOX), "--short")
    assert done.returncode == EXIT_CONFIGURATION
    assert "--short: has a box file of its own" in done.stderr

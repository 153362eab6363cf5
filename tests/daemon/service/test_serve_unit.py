"""The unit and the udev rules that are shipped, judged by systemd's own tools where they are installed."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from daemon.virtual_time import CONFIGS

UNIT = CONFIGS / "service" / "lashmap@.service"
RULES = CONFIGS / "service" / "99-lashmap.rules"
needs_systemd = pytest.mark.skipif(
    not shutil.which("systemd-analyze"), reason="systemd-analyze is not installed"
)

# What the service relies on, after systemd.service(5), systemd.exec(5) and systemd.resource-control(5).
RELIED_ON = {
    "Type": "notify",
    "NotifyAccess": "main",
    "Restart": "on-failure",
    "RestartPreventExitStatus": "2",
    "ExecReload": "/bin/kill -HUP $MAINPID",
    "StateDirectory": "lashmap/%i",
    "RuntimeDirectory": "lashmap/%i",
    "RuntimeDirectoryMode": "0700",
    "ProtectSystem": "strict",
    "NoNewPrivileges": "yes",
    "DevicePolicy": "closed",
}


def keys() -> dict[str, str]:
    lines = [line for line in UNIT.read_text("utf-8").splitlines() if line and line[0] not in "#["]
    return dict(line.split("=", 1) for line in lines)


def test_the_unit_says_what_the_service_relies_on() -> None:
    found = keys()
    assert {key: found.get(key) for key in RELIED_ON} == RELIED_ON
    assert "/etc/lashmap/stands/%i.toml" in found["ExecStart"]
    assert "/var/lib/lashmap/%i/" in found["ExecStart"]  # systemd.exec(5): StateDirectory is below /var/lib
    assert float(found["WatchdogSec"]) >= 3.0 * 3.0  # a sign of life a second, and a disk that takes its time


@needs_systemd
def test_systemd_finds_no_fault_in_it(tmp_path: Path) -> None:
    text = UNIT.read_text("utf-8").replace("/opt/lashmap/bin/lashmap", sys.executable)
    unit = tmp_path / "lashmap@bench.service"
    unit.write_text(text, "utf-8")
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", "--recursive-errors=no", unit],
        capture_output=True,
        text=True,
        check=False,
    )
    complaints = [line for line in done.stderr.splitlines() if unit.name in line or "lashmap" in line]
    assert complaints == []
    # The tool must be able to complain, or the line above says nothing.
    unit.write_text(text.replace("WatchdogSec=30", "WatchdogSeconds=30"), "utf-8")
    wrong = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", "--recursive-errors=no", unit],
        capture_output=True,
        text=True,
        check=False,
    )
    assert "WatchdogSeconds" in wrong.stderr


@needs_systemd
def test_its_exposure_is_small(tmp_path: Path) -> None:
    unit = tmp_path / "lashmap@bench.service"
    shutil.copy(UNIT, unit)
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", unit], capture_output=True, text=True, check=False
    )
    if "unrecognized option" in done.stderr:
        pytest.skip("this systemd-analyze judges no files")
    found = re.search(r"Overall exposure level for .*?: (\d+\.\d)", done.stdout)
    assert found is not None, done.stdout + done.stderr
    assert float(found.group(1)) <= 2.0  # of 10; 1.7 with systemd 252


# udev(7): these are the match and assignment keys that the rules may use.
RULE = re.compile(
    r'(SUBSYSTEM|ATTRS\{(idVendor|idProduct|serial)\})=="[^"]+"|SYMLINK\+="[a-z-]+"|GROUP="dialout"|MODE="0660"'
)


def test_the_rules_use_keys_of_udev_and_say_that_their_numbers_are_invented() -> None:
    text = RULES.read_text("utf-8")
    assert "INVENTED" in text
    rules = [line for line in text.splitlines() if line and not line.startswith("#")]
    assert len(rules) == 2
    for rule in rules:
        for part in rule.split(", "):
            assert RULE.fullmatch(part), part

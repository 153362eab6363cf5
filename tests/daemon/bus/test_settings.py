from __future__ import annotations

from pathlib import Path

import pytest
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup import stand_file
from lashmap_daemon.setup.bus_table import PASSWORD_VARIABLE, BusTable

CONFIGS = Path(__file__).parents[3] / "configs"
BENCH = (CONFIGS / "stands" / "bench.toml").read_text("utf-8")


def load(folder: Path, table: str) -> BusTable | None:
    path = folder / "stands" / "bench.toml"
    path.parent.mkdir(exist_ok=True)
    path.write_text(BENCH.replace('"../instruments/', f'"{CONFIGS}/instruments/') + table)
    return stand_file.load_stand(path).file.bus


def problem(folder: Path, table: str) -> str:
    with pytest.raises(ConfigurationError) as caught:
        load(folder, table)
    return str(caught.value)


def test_off_when_absent(tmp_path: Path) -> None:
    assert load(tmp_path, "") is None


def test_files_are_relative_to_the_stand_file(tmp_path: Path) -> None:
    table = load(tmp_path, '[bus]\nbroker = "mqtts://broker.example"\nca_file = "ca.pem"\n')
    assert table is not None
    assert table.ca_file == str(tmp_path / "stands" / "ca.pem")
    assert (table.host, table.port, table.encrypted) == ("broker.example", 8883, True)
    assert not table.commands


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ('broker = "http://a"', "expected mqtt://host:port or mqtts://host:port"),
        ('broker = "mqtt://a/path"', "only host and port may follow"),
        ('broker = "mqtt://a..b"', "that is no host name"),
        ('broker = "mqtt://[::1"', "expected mqtt://host:port"),
        ('broker = "mqtt://a:99999"', "expected mqtt://host:port"),
        ('broker = "mqtt://a"\nca_file = "x"', "write mqtts://"),
        ('broker = "mqtts://a"\nkey_file = "x"', "belong together"),
        ('broker = "mqtt://a"\npassword_file = "x"', "needs a user"),
        ('broker = "mqtt://a"\nstand = "a/b"', "bus.stand"),
        ('broker = "mqtt://a"\nlive_hz = 0', "bus.live_hz"),
        ('broker = "mqtt://a"\nlive = 3', "did you mean live_hz?"),
    ],
)
def test_wrong_tables_say_what_and_where(tmp_path: Path, table: str, said: str) -> None:
    assert said in problem(tmp_path, f"[bus]\n{table}\n")


@pytest.mark.parametrize(
    "table", ['broker = "mqtt://joe:hush-hush@a"', 'broker = "mqtt://a"\npassword = "hush-hush"']
)
def test_a_password_in_the_stand_file_is_refused_and_not_repeated(tmp_path: Path, table: str) -> None:
    said = problem(tmp_path, f"[bus]\n{table}\n")
    assert "password_file" in said
    assert "hush-hush" not in said


def test_where_the_password_comes_from(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "password"
    table = BusTable(broker="mqtt://a", user="joe", password_file=str(file))
    with pytest.raises(ConfigurationError, match=r"check bus\.password_file"):
        table.password()
    file.write_text("hush-hush\nremark\n")
    file.chmod(0o644)
    with pytest.raises(ConfigurationError, match="chmod o="):
        table.password()
    file.chmod(0o600)
    assert table.password() == "hush-hush"
    file.write_text("\n")
    with pytest.raises(ConfigurationError, match="first line"):
        table.password()
    bare = BusTable(broker="mqtt://a", user="joe")
    monkeypatch.delenv(PASSWORD_VARIABLE, raising=False)
    with pytest.raises(ConfigurationError, match=PASSWORD_VARIABLE):
        bare.password()
    monkeypatch.setenv(PASSWORD_VARIABLE, "from there")
    assert bare.password() == "from there"
    assert BusTable(broker="mqtt://a").password() is None


def test_certificates_that_cannot_be_used_are_named(tmp_path: Path) -> None:
    missing = BusTable(broker="mqtts://a", ca_file=str(tmp_path / "none"))
    with pytest.raises(ConfigurationError, match=r"check bus\.ca_file"):
        missing.tls()
    rubbish = tmp_path / "rubbish.pem"
    rubbish.write_text("rubbish")
    with pytest.raises(ConfigurationError, match="PEM"):
        BusTable(broker="mqtts://a", ca_file=str(rubbish)).tls()
    pair = BusTable(broker="mqtts://a", certificate_file=str(rubbish), key_file=str(rubbish))
    with pytest.raises(ConfigurationError, match=r"bus\.key_file"):
        pair.tls()


def test_an_unencrypted_password_over_the_network_is_warned_of() -> None:
    assert "unencrypted" in (BusTable(broker="mqtt://far", user="joe").warning() or "")
    assert BusTable(broker="mqtt://localhost", user="joe").warning() is None
    assert BusTable(broker="mqtts://far", user="joe").warning() is None

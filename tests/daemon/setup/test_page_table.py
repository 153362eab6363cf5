from __future__ import annotations

from pathlib import Path

import pytest
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup import stand_file
from lashmap_daemon.setup.page_table import PageTable

CONFIGS = Path(__file__).parents[3] / "configs"
BENCH = (CONFIGS / "stands" / "bench.toml").read_text("utf-8")


def load(folder: Path, table: str) -> PageTable | None:
    path = folder / "bench.toml"
    path.write_text(BENCH.replace('"../instruments/', f'"{CONFIGS}/instruments/') + table)
    return stand_file.load_stand(path).file.page


def test_a_stand_without_the_table_has_no_page(tmp_path: Path) -> None:
    assert load(tmp_path, "") is None


def test_without_keys_it_is_for_looking_on_this_computer_alone(tmp_path: Path) -> None:
    table = load(tmp_path, "[page]\n")
    assert table is not None
    assert (table.host, table.may, table.is_own, table.encrypted) == ("127.0.0.1", [], True, False)
    assert table.token() is None
    assert table.warning() is None


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("port = 70000", "page.port: expected 65535 or less, got 70000"),
        ('port = "8460"', "page.port: expected a whole number"),
        ('host = "http://here"', "page.host: expected an address or a name of this computer without port"),
        ('host = "10.0.0.1:80"', "page.host: expected an address or a name"),
        ('may = ["begin"]', "page.may"),
        ('may = "skip"', "page.may: expected a list"),
        ('names = ["a/b"]', "page.names: expected names such as"),
        ('key_file = "x"', "certificate_file and key_file belong together"),
        ("lookers = 0", "page.lookers: expected 1 or more"),
        ('token = "hush-hush"', "page.token: unknown key; did you mean token_file?"),
    ],
)
def test_wrong_tables_say_what_and_where(tmp_path: Path, table: str, said: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        load(tmp_path, f"[page]\n{table}\n")
    assert said in str(caught.value)
    assert "hush-hush" not in str(caught.value)


def test_on_a_network_there_is_a_token_and_a_word_about_the_way(tmp_path: Path) -> None:
    table = load(tmp_path, '[page]\nhost = "0.0.0.0"\n')
    assert table is not None
    one, other = table.token(), table.token()
    assert one
    assert other
    assert one != other  # made anew each time
    assert len(one) >= 32
    assert "unencrypted" in (table.warning() or "")


def test_a_token_file_is_made_where_it_is_missing_and_read_from_then_on(tmp_path: Path) -> None:
    table = load(tmp_path, '[page]\ntoken_file = "page.token"\n')
    assert table is not None
    token = table.token()
    assert (tmp_path / "page.token").read_text("utf-8") == f"{token}\n"
    assert (tmp_path / "page.token").stat().st_mode & 0o777 == 0o600
    assert table.token() == token


@pytest.mark.parametrize(
    ("content", "mode", "said"),
    [
        ("short\n", 0o600, "a token has 20 or more"),
        ("with a space in it, and long enough\n", 0o600, "a token has 20 or more"),
        ("", 0o600, "holds no token"),
        ("abcdefghijklmnopqrstuvwxyz\n", 0o604, "everyone on this machine can read the token"),
    ],
)
def test_a_token_that_is_none_is_refused(tmp_path: Path, content: str, mode: int, said: str) -> None:
    file = tmp_path / "page.token"
    file.write_text(content, "utf-8")
    file.chmod(mode)
    with pytest.raises(ConfigurationError, match=said) as caught:
        PageTable(token_file=str(file)).token()
    assert str(file) in str(caught.value)


def test_a_certificate_that_cannot_be_used_is_named(tmp_path: Path) -> None:
    for name in ("cert.pem", "key.pem"):
        (tmp_path / name).write_text("no certificate", "utf-8")
    table = PageTable(certificate_file=str(tmp_path / "cert.pem"), key_file=str(tmp_path / "key.pem"))
    with pytest.raises(ConfigurationError, match="does not fit"):
        table.tls()
    (tmp_path / "key.pem").unlink()
    with pytest.raises(ConfigurationError, match=r"cannot be read; check page\.key_file"):
        table.tls()

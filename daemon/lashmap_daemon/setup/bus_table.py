"""The table ``[bus]`` of a stand file: which broker, who we are there, what may be said.

A password never stands in it, since the stand file goes into the logbook: it comes from a file or from the
environment, is read when the connection begins and is kept nowhere else.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Self
from urllib.parse import SplitResult, urlsplit

from lashmap_drivers.ports.regular_file import FileRefused, read_regular
from pydantic import Field, field_validator, model_validator

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup.toml_file import Table

if TYPE_CHECKING:
    import ssl


PASSWORD_VARIABLE = "LASHMAP_BUS_PASSWORD"  # noqa: S105 - the name of a variable
_MOST_PASSWORD_BYTES = 10_000
_PORTS = {"mqtt": 1883, "mqtts": 8883}
_LOOPBACK = {"localhost", "127.0.0.1", "::1"}
_FILES = ("password_file", "ca_file", "certificate_file", "key_file")


class BusTable(Table):
    """How a stand reaches its broker, and what it does there."""

    broker: str
    stand: Annotated[str, Field(pattern=r"^[A-Za-z0-9_.-]{1,64}$")] | None = None
    root: Annotated[str, Field(pattern=r"^[A-Za-z0-9_.-]+(/[A-Za-z0-9_.-]+)*$", max_length=200)] = "lashmap"
    user: Annotated[str, Field(min_length=1, max_length=200)] | None = None
    password_file: str | None = None
    ca_file: str | None = None
    certificate_file: str | None = None
    key_file: str | None = None
    live_hz: Annotated[float, Field(gt=0, le=25, allow_inf_nan=False)] = 10.0
    commands: bool = False
    settle_seconds: Annotated[float, Field(ge=0, le=3600, allow_inf_nan=False)] = 10.0

    @field_validator("broker")
    @classmethod
    def _reads_as_broker(cls, broker: str) -> str:
        try:
            _split(broker)
        except ValueError as error:
            # The text itself is not repeated: someone may have put a password in it.
            raise ValueError(f"expected mqtt://host:port or mqtts://host:port ({error})") from None
        return broker

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        if (self.certificate_file is None) != (self.key_file is None):
            raise ValueError("certificate_file and key_file belong together; give both or none")
        if not self.encrypted and (self.ca_file or self.certificate_file):
            raise ValueError("ca_file and certificate_file need an encrypted broker; write mqtts://")
        if self.password_file is not None and self.user is None:
            raise ValueError("password_file needs a user; add it")
        return self

    @property
    def host(self) -> str:
        """Host of the broker."""
        return _split(self.broker).hostname or ""

    @property
    def port(self) -> int:
        """Port of the broker."""
        parts = _split(self.broker)
        return parts.port or _PORTS[parts.scheme]

    @property
    def encrypted(self) -> bool:
        """True when the connection uses TLS."""
        return _split(self.broker).scheme == "mqtts"

    def beside(self, folder: Path) -> BusTable:
        """The same settings with files taken relative to ``folder``."""
        files = {name: str(folder / value) for name in _FILES if (value := getattr(self, name)) is not None}
        return self.model_copy(update=files)

    def warning(self) -> str | None:
        """What is unwise about these settings, or None."""
        if self.user is not None and not self.encrypted and self.host not in _LOOPBACK:
            return (
                f"bus: the password for {self.host} travels unencrypted and can be read on the way; "
                "use mqtts:// when the broker offers it"
            )
        return None

    def password(self) -> str | None:
        """The password of ``user``, from ``password_file`` or the environment; None without a user.

        Raises:
            ConfigurationError: When there is none, or others can read its file.
        """
        if self.user is None:
            return None
        if self.password_file is None:
            password = os.environ.get(PASSWORD_VARIABLE)
            if password:
                return password
            raise ConfigurationError(
                "bus", [f"user {self.user} has no password: name a password_file, or set {PASSWORD_VARIABLE}"]
            )
        return first_line(Path(self.password_file), "the password", "bus.password_file")

    def tls(self) -> ssl.SSLContext | None:
        """What the encrypted connection trusts and shows; None for an unencrypted one.

        Raises:
            ConfigurationError: When a file is missing or is no certificate or key.
        """
        if not self.encrypted:
            return None
        import ssl  # noqa: PLC0415 - 10 ms that only the bus pays

        for name in ("ca_file", "certificate_file", "key_file"):
            must_be_readable(getattr(self, name), f"bus.{name}")
        try:
            context = ssl.create_default_context(cafile=self.ca_file)
        except ssl.SSLError:
            raise ConfigurationError(
                str(self.ca_file), ["holds no certificate in PEM form; check bus.ca_file"]
            ) from None
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if self.certificate_file is not None:
            show_certificate(context, self.certificate_file, self.key_file, "bus")
        return context


def first_line(path: Path, what: str, key: str) -> str:
    """What stands on the first line of a file that is nobody else's business.

    Args:
        path: The file.
        what: That is, for messages.
        key: Of the stand file, which names it.

    Raises:
        ConfigurationError: When there is nothing, or everyone can read it.
    """
    try:
        if path.stat().st_mode & stat.S_IRWXO:
            raise ConfigurationError(
                str(path), [f"everyone on this machine can read {what}; run: chmod o= {path}"]
            )
        lines = read_regular(path, _MOST_PASSWORD_BYTES).decode("utf-8").splitlines()
    except FileRefused as error:
        raise ConfigurationError(str(path), [f"{what}: {error}"]) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "is not UTF-8 text"
        raise ConfigurationError(str(path), [f"{what} cannot be read ({reason}); check {key}"]) from None
    if not lines or not lines[0]:
        word = what.rsplit(maxsplit=1)[-1]
        raise ConfigurationError(str(path), [f"holds no {word}; write it on the first line"])
    return lines[0]


def must_be_readable(path: str | None, key: str) -> None:
    """Look whether a file that a key names can be read.

    Raises:
        ConfigurationError: When it cannot.
    """
    if path is not None and not (os.path.isfile(path) and os.access(path, os.R_OK)):  # noqa: PTH113 - Path.is_file fails at a name that is too long
        raise ConfigurationError(path, [f"cannot be read; check {key}"])


def show_certificate(context: ssl.SSLContext, certificate: str, key: str | None, table: str) -> None:
    """Show a certificate to the other end of connections of a context.

    Raises:
        ConfigurationError: When it is none, or the key is not its own; names the table of the stand file.
    """
    import ssl  # noqa: PLC0415 - 10 ms that only an encrypted connection pays

    try:
        context.load_cert_chain(certificate, key, password=_no_question)
    except ssl.SSLError as error:
        wrong = f"does not fit {key} ({error.reason or 'not PEM'})"
        todo = f"check {table}.certificate_file and {table}.key_file (the key without a passphrase)"
        raise ConfigurationError(certificate, [f"{wrong}; {todo}"]) from None


def _no_question() -> str:
    return ""  # a service has nobody who could answer for a passphrase


def _split(broker: str) -> SplitResult:
    parts = urlsplit(broker)
    if parts.scheme not in _PORTS:
        raise ValueError("it begins neither with mqtt:// nor with mqtts://")
    if parts.username is not None or parts.password is not None:
        raise ValueError("user and password stand in bus.user and bus.password_file, not in the address")
    if not parts.hostname or parts.path not in {"", "/"} or parts.query or parts.fragment:
        raise ValueError("only host and port may follow")
    if parts.port == 0:
        raise ValueError("port 0 is none")
    try:
        parts.hostname.encode("idna")
    except UnicodeError:
        raise ValueError("that is no host name") from None
    return parts

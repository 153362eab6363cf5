"""The table ``[page]`` of a stand file: where the page of a stand is served, and what may be done there.

As for the bus, no secret stands in it: the token comes from a file, or is made anew for each test.
"""

from __future__ import annotations

import ipaddress
import os
import re
import secrets
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup.bus_table import first_line, must_be_readable, show_certificate
from lashmap_daemon.setup.toml_file import FilePath, Table

if TYPE_CHECKING:
    import ssl

Deed = Literal["repeat", "skip", "note", "photo", "stop"]
PORT = 8460
_LEAST_TOKEN = 20  # letters; one that is made has 32 of a set of 64, which is 192 bits
_PRINTED = re.compile(r"[A-Za-z0-9._~-]+")  # unreserved in an address (RFC 3986, 2.3)
_NAME = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9.-]{0,251}[A-Za-z0-9])?")
_FILES = ("token_file", "certificate_file", "key_file")


class PageTable(Table):
    """Where a browser finds the page of this stand, and what a person may do there.

    Attributes:
        may: Without any, the page is for looking.
        names: By which others reach this computer; an address or its own name needs none.
        lookers: At most so many at a time.
    """

    host: Annotated[str, Field(min_length=1, max_length=253)] = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = PORT
    may: list[Deed] = Field(default=[])
    names: Annotated[list[str], Field(max_length=20)] = Field(default=[])
    token_file: FilePath | None = None
    certificate_file: FilePath | None = None
    key_file: FilePath | None = None
    lookers: Annotated[int, Field(ge=1, le=100)] = 16

    @field_validator("host")
    @classmethod
    def _is_a_place(cls, host: str) -> str:
        if not (is_address(host) or _NAME.fullmatch(host)):
            raise ValueError(
                "expected an address or a name of this computer without port: 127.0.0.1 for itself alone, "
                "0.0.0.0 for whoever reaches it"
            )
        return host

    @field_validator("names")
    @classmethod
    def _are_names(cls, names: list[str]) -> list[str]:
        for name in names:
            if not _NAME.fullmatch(name):
                raise ValueError(f'expected names such as "stand-3.local" without port, got {name!r:.60}')
        return names

    @model_validator(mode="after")
    def _belong_together(self) -> Self:
        if (self.certificate_file is None) != (self.key_file is None):
            raise ValueError("certificate_file and key_file belong together; give both or none")
        return self

    @property
    def is_own(self) -> bool:
        """Only this computer itself can reach it."""
        if self.host == "localhost":
            return True
        return is_address(self.host) and ipaddress.ip_address(self.host).is_loopback

    @property
    def encrypted(self) -> bool:
        """True when it is served over TLS."""
        return self.certificate_file is not None

    def beside(self, folder: Path) -> PageTable:
        """The same settings with files taken relative to ``folder``."""
        files = {name: str(folder / value) for name in _FILES if (value := getattr(self, name)) is not None}
        return self.model_copy(update=files)

    def warning(self) -> str | None:
        """What is unwise about these settings, or None."""
        if self.is_own or self.encrypted:
            return None
        return (
            "page: token and page travel unencrypted and can be read on the way; give certificate_file and "
            "key_file where others share the network"
        )

    def token(self) -> str | None:
        """The token that whoever looks has to know; None where only this computer can look.

        From ``token_file``, which is made where it is missing; without one it is made anew.

        Raises:
            ConfigurationError: When the file cannot be used, or what stands in it is easily guessed.
        """
        if self.token_file is None:
            return None if self.is_own else secrets.token_urlsafe(24)
        path = Path(self.token_file)
        try:
            descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        except FileExistsError:
            pass
        except OSError as error:
            problem = f"the token cannot be made ({error.strerror}); check page.token_file"
            raise ConfigurationError(str(path), [problem]) from None
        else:
            with os.fdopen(descriptor, "w", encoding="utf-8") as file:
                file.write(f"{secrets.token_urlsafe(24)}\n")
        token = first_line(path, "the token", "page.token_file")
        if len(token) < _LEAST_TOKEN or not _PRINTED.fullmatch(token):
            problem = (
                f"a token has {_LEAST_TOKEN} or more letters, digits and - . _ ~; remove the file, and a "
                "good one is made"
            )
            raise ConfigurationError(str(path), [problem])
        return token

    def tls(self) -> ssl.SSLContext | None:
        """What an encrypted page shows of itself; None for an unencrypted one.

        Raises:
            ConfigurationError: When a file is missing or is no certificate or key.
        """
        if self.certificate_file is None or self.key_file is None:
            return None
        import ssl  # noqa: PLC0415 - 10 ms that only an encrypted page pays

        for name in ("certificate_file", "key_file"):
            must_be_readable(getattr(self, name), f"page.{name}")
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        show_certificate(context, self.certificate_file, self.key_file, "page")
        return context


def is_address(host: str) -> bool:
    """Whether it is an IP address, which no name server can turn to another machine."""
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True

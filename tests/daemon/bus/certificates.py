"""Certificates made for one test: an authority, a broker, clients, and some that must not be believed."""

from __future__ import annotations

import datetime as dt
import ipaddress
from dataclasses import dataclass
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

DAY = dt.timedelta(days=1)


@dataclass(frozen=True, kw_only=True)
class Signed:
    """Files of a certificate and its key."""

    certificate: Path
    key: Path


class Authority:
    """Signs certificates; its own lies in ``file``."""

    def __init__(self, folder: Path, name: str) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = _called(name)
        made = self._begin(self._name, self._key, expired=False)
        made = made.add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        self.file = folder / f"{name}.pem"
        self.file.write_bytes(made.sign(self._key, hashes.SHA256()).public_bytes(_PEM))

    def sign(self, name: str, *, expired: bool = False, host: str | None = None) -> Signed:
        """A certificate for ``name``; for a server with its address."""
        key = ec.generate_private_key(ec.SECP256R1())
        made = self._begin(_called(name), key, expired=expired)
        if host is not None:
            names = x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address(host))])
            made = made.add_extension(names, critical=False)
        files = Signed(certificate=self._folder / f"{name}.crt", key=self._folder / f"{name}.key")
        files.certificate.write_bytes(made.sign(self._key, hashes.SHA256()).public_bytes(_PEM))
        files.key.write_bytes(
            key.private_bytes(_PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
        )
        return files

    def _begin(
        self, subject: x509.Name, key: ec.EllipticCurvePrivateKey, *, expired: bool
    ) -> x509.CertificateBuilder:
        now = dt.datetime.now(dt.UTC)
        return (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(self._name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - 20 * DAY)
            .not_valid_after(now - 2 * DAY if expired else now + DAY)
        )


_PEM = serialization.Encoding.PEM


def _called(name: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])

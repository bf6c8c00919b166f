"""Certificate authorities and certificates, made for a test and believed by nobody else."""

from __future__ import annotations

import datetime
import ipaddress
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

DAY = datetime.timedelta(days=1)


def _named(name: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])


class Authority:
    """Signs certificates; its own stands in `ca_file`."""

    def __init__(self, folder: Path, name: str = "cap line test authority") -> None:
        self._folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = _named(name)
        now = datetime.datetime.now(datetime.UTC)
        certificate = (
            x509.CertificateBuilder()
            .subject_name(self._name)
            .issuer_name(self._name)
            .public_key(self._key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - 30 * DAY)
            .not_valid_after(now + 30 * DAY)
            .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
            .add_extension(
                x509.SubjectKeyIdentifier.from_public_key(self._key.public_key()), critical=False
            )
            .add_extension(_usage(signs=True), critical=True)
            .sign(self._key, hashes.SHA256())
        )
        self.ca_file = folder / f"{name.replace(' ', '-')}.pem"
        self.ca_file.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))

    def certificate(
        self,
        name: str,
        *,
        addresses: tuple[str, ...] = (),
        from_days: int = -1,
        until_days: int = 1,
        password: bytes | None = None,
    ) -> tuple[Path, Path]:
        """A certificate for a host name and IP addresses, and its key: two PEM files."""
        key = ec.generate_private_key(ec.SECP256R1())
        now = datetime.datetime.now(datetime.UTC)
        names: list[x509.GeneralName] = [x509.DNSName(name)]
        names += [x509.IPAddress(ipaddress.ip_address(address)) for address in addresses]
        certificate = (
            x509.CertificateBuilder()
            .subject_name(_named(name))
            .issuer_name(self._name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now + from_days * DAY)
            .not_valid_after(now + until_days * DAY)
            .add_extension(x509.SubjectAlternativeName(names), critical=False)
            .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
            .add_extension(
                x509.AuthorityKeyIdentifier.from_issuer_public_key(self._key.public_key()),
                critical=False,
            )
            .add_extension(_usage(signs=False), critical=True)
            .sign(self._key, hashes.SHA256())
        )
        serial = f"{certificate.serial_number:x}"
        cert_file, key_file = self._folder / f"{serial}.pem", self._folder / f"{serial}.key"
        cert_file.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
        key_file.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.BestAvailableEncryption(password)
                if password
                else serialization.NoEncryption(),
            )
        )
        return cert_file, key_file


def _usage(*, signs: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=True,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs,
        crl_sign=signs,
        encipher_only=False,
        decipher_only=False,
    )

"""A certificate for the shop's own network, from an authority that is good for nothing else.

Browsers let a page keep entries without a network, and use the camera, only over TLS. A name inside
the shop gets no certificate from a public authority, so the shop has its own: each tablet is told
once to trust it. The authority may speak only for private addresses, names ending in `.local`, and
this machine's own name and addresses of the day it was made (name constraints, RFC 5280, 4.2.1.10,
2008), so that a stolen key opens nothing but this shop's book.

    python -m shop.server.certificates FOLDER

makes what is missing, too old or for other addresses, and prints the path of the file that a TLS
server reads (the key, the certificate and the authority's) and the authority's fingerprint.
"""

import datetime
import ipaddress
import os
import re
import socket
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

AUTHORITY: Final = "authority.pem"
"""The authority's certificate: what a tablet is told to trust. Nothing in it is secret."""

_AUTHORITY_KEY: Final = "authority-key.pem"
_SERVER: Final = "server.pem"

AUTHORITY_DAYS: Final = 3650
SERVER_DAYS: Final = 397
"""No browser takes more from a public authority (CA/Browser Forum Baseline Requirements, 6.3.2,
2020), and some hold a private one to it."""
RENEW_DAYS: Final = 60

PRIVATE: Final = tuple(
    ipaddress.ip_network(one)
    for one in (
        "10.0.0.0/8",
        "172.16.0.0/12",
        "192.168.0.0/16",
        "169.254.0.0/16",
        "127.0.0.0/8",
        "fc00::/7",
        "fe80::/10",
        "::1/128",
    )
)
"""Addresses that mean a machine on the same network (RFC 1918, 3927, 4193, 4291)."""

_NAME: Final = re.compile(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?")

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Network = ipaddress.IPv4Network | ipaddress.IPv6Network


def own_name() -> str:
    """This machine's name as others on the network may say it; "loombook" when it has none."""
    name = socket.gethostname().split(".")[0].lower()
    return name if _NAME.fullmatch(name) else "loombook"


def own_addresses() -> list[Address]:
    """The addresses of this machine, its own loopback among them."""
    asked = subprocess.run(["hostname", "-I"], capture_output=True, text=True, check=False)
    addresses = {ipaddress.ip_address(text) for text in ("127.0.0.1", "::1", *asked.stdout.split())}
    return sorted(addresses, key=lambda address: (address.version, int(address)))


def make(folder: Path, name: str, addresses: list[Address], now: datetime.datetime) -> Path:
    """The server's file in `folder`, made again when it would not do; gives its path.

    `now` has a time zone. The authority stays while it lasts: replacing it means a walk to every
    tablet.
    """
    folder.mkdir(parents=True, exist_ok=True)
    authority, authority_key = _authority(folder, name, addresses, now)
    permitted = authority.extensions.get_extension_for_class(x509.NameConstraints).value
    networks = [one.value for one in permitted.permitted_subtrees or () if _is_network(one)]
    named = [one for one in addresses if _within(one, networks)]
    path = folder / _SERVER
    if not _serves(path, authority, name, named, now):
        _write(path, _server(authority, authority_key, name, named, now))
    return path


def _within(address: Address, networks: Iterable[Network]) -> bool:
    return any(address in network for network in networks)


def _is_network(name: x509.GeneralName) -> bool:
    return isinstance(name, x509.IPAddress)


def _authority(
    folder: Path, name: str, addresses: list[Address], now: datetime.datetime
) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey]:
    path, key_path = folder / AUTHORITY, folder / _AUTHORITY_KEY
    if path.exists() and key_path.exists():
        authority = x509.load_pem_x509_certificate(path.read_bytes())
        key = load_pem_private_key(key_path.read_bytes(), password=None)
        lasts = now + datetime.timedelta(days=SERVER_DAYS) < authority.not_valid_after_utc
        if lasts and isinstance(key, ec.EllipticCurvePrivateKey):
            return authority, key
    key = ec.generate_private_key(ec.SECP256R1())
    called = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"Loombook on {name}"[:64])])
    beyond = [one for one in addresses if not _within(one, PRIVATE)]
    networks = [*PRIVATE, *(ipaddress.ip_network(one) for one in beyond)]
    permitted: list[x509.GeneralName] = [x509.IPAddress(one) for one in networks]
    permitted += [x509.DNSName(one) for one in ("localhost", "local", name)]
    authority = (
        _begin(called, called, key, now, AUTHORITY_DAYS)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs_certificates=True), critical=True)
        .add_extension(x509.NameConstraints(permitted, None), critical=True)
        .sign(key, hashes.SHA256())
    )
    _write(key_path, _pem(key))
    _write(path, authority.public_bytes(Encoding.PEM))
    return authority, key


def _server(
    authority: x509.Certificate,
    authority_key: ec.EllipticCurvePrivateKey,
    name: str,
    addresses: list[Address],
    now: datetime.datetime,
) -> bytes:
    key = ec.generate_private_key(ec.SECP256R1())
    called = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name[:64])])
    certificate = (
        _begin(called, authority.subject, key, now, SERVER_DAYS)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs_certificates=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName(_names(name, addresses)), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key.public_key()),
            critical=False,
        )
        .sign(authority_key, hashes.SHA256())
    )
    chain = certificate.public_bytes(Encoding.PEM) + authority.public_bytes(Encoding.PEM)
    return _pem(key) + chain


def _names(name: str, addresses: list[Address]) -> list[x509.GeneralName]:
    names = [x509.DNSName(one) for one in dict.fromkeys(("localhost", name, f"{name}.local"))]
    return [*names, *(x509.IPAddress(one) for one in addresses)]


def _begin(
    called: x509.Name,
    signer: x509.Name,
    key: ec.EllipticCurvePrivateKey,
    now: datetime.datetime,
    days: int,
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(called)
        .issuer_name(signer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        # A tablet whose clock is a little behind takes it all the same.
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=days - 1))
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )


def _usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs_certificates,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs_certificates,
        crl_sign=signs_certificates,
        encipher_only=False,
        decipher_only=False,
    )


def _serves(
    path: Path,
    authority: x509.Certificate,
    name: str,
    addresses: list[Address],
    now: datetime.datetime,
) -> bool:
    """Whether the file is whole, lasts, is the authority's, and names this machine as it is now."""
    try:
        certificate, *chain = x509.load_pem_x509_certificates(path.read_bytes())
        load_pem_private_key(path.read_bytes(), password=None)
    except (OSError, ValueError):
        return False
    given = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    lasts = certificate.not_valid_after_utc - now > datetime.timedelta(days=RENEW_DAYS)
    return lasts and chain == [authority] and set(given) >= set(_names(name, addresses))


def _pem(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def _write(path: Path, content: bytes) -> None:
    """Whole or not at all, and for this user's eyes."""
    part = path.with_suffix(".part")
    part.unlink(missing_ok=True)
    with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)


def fingerprint(authority: x509.Certificate) -> str:
    """The SHA-256 fingerprint as devices show it: pairs of hexadecimal digits."""
    return authority.fingerprint(hashes.SHA256()).hex(":").upper()


def main(folder: Path) -> None:
    """Print the path of the server's file, and below it the authority's fingerprint."""
    print(make(folder, own_name(), own_addresses(), datetime.datetime.now(datetime.UTC)))
    print(fingerprint(x509.load_pem_x509_certificate((folder / AUTHORITY).read_bytes())))


if __name__ == "__main__":
    main(Path(sys.argv[1]))

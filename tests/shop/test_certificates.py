"""The shop's own certificate: trusted once, good for this network alone, renewed in time."""

import datetime
import os
import signal
import socket
import ssl
import subprocess
import sys
import warnings
from ipaddress import ip_address
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, load_pem_private_key
from cryptography.x509.verification import PolicyBuilder, Store, VerificationError
from django.test import Client
from django.urls import reverse

from shop.server import certificates
from tests.shop import held_server

NOW = datetime.datetime.now(datetime.UTC).replace(microsecond=0)
BAY: list[certificates.Address] = [ip_address("127.0.0.1"), ip_address("192.168.7.20")]
HOME = Path(certificates.__file__).resolve().parent.parent.parent


def days(count: int) -> datetime.datetime:
    return NOW + datetime.timedelta(days=count)


def made(
    folder: Path, when: datetime.datetime = NOW, addresses: list[certificates.Address] | None = None
) -> bytes:
    return certificates.make(folder, "bench", addresses or BAY, when).read_bytes()


def authority_of(folder: Path) -> x509.Certificate:
    return x509.load_pem_x509_certificate((folder / certificates.AUTHORITY).read_bytes())


def trusts(folder: Path, certificate: x509.Certificate, subject: x509.GeneralName) -> None:
    """A verifier that is not ours looks at the chain; refusal is a VerificationError."""
    builder = PolicyBuilder().store(Store([authority_of(folder)])).time(days(1))
    builder.build_server_verifier(subject).verify(certificate, [])


def test_a_device_that_trusts_the_authority_trusts_the_server(tmp_path: Path) -> None:
    certificate, authority = x509.load_pem_x509_certificates(made(tmp_path))
    assert authority == authority_of(tmp_path)
    for subject in (x509.DNSName("bench.local"), x509.IPAddress(BAY[1])):
        trusts(tmp_path, certificate, subject)
    with pytest.raises(VerificationError):
        trusts(tmp_path, certificate, x509.DNSName("other.local"))
    lasts = certificate.not_valid_after_utc - certificate.not_valid_before_utc
    assert lasts <= datetime.timedelta(days=397)


@pytest.mark.parametrize(
    ("subject", "private"),
    [
        (x509.DNSName("bank.example.org"), False),
        (x509.IPAddress(ip_address("203.0.113.7")), False),
        (x509.DNSName("printer.local"), True),
        (x509.IPAddress(ip_address("10.1.2.3")), True),
    ],
)
def test_a_stolen_authority_is_good_for_private_names_alone(
    tmp_path: Path, subject: x509.DNSName | x509.IPAddress, private: bool
) -> None:
    made(tmp_path)
    key = load_pem_private_key((tmp_path / "authority-key.pem").read_bytes(), password=None)
    assert isinstance(key, ec.EllipticCurvePrivateKey)
    forged = (
        x509.CertificateBuilder()
        .subject_name(x509.Name([]))
        .issuer_name(authority_of(tmp_path).subject)
        .public_key(ec.generate_private_key(ec.SECP256R1()).public_key())
        .serial_number(7)
        .not_valid_before(NOW)
        .not_valid_after(days(90))
        .add_extension(x509.SubjectAlternativeName([subject]), critical=True)
        .sign(key, hashes.SHA256())
    )
    (tmp_path / "forged.pem").write_bytes(forged.public_bytes(Encoding.PEM))
    words = ["openssl", "verify", "-CAfile", "authority.pem", "forged.pem"]
    asked = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True)
    assert (asked.returncode == 0) is private
    assert private or "permitted subtree violation" in asked.stderr


def test_it_is_made_again_only_when_it_would_not_do(tmp_path: Path) -> None:
    first = made(tmp_path)
    authority = authority_of(tmp_path)
    assert made(tmp_path, days(330)) == first
    assert made(tmp_path, days(340)) != first
    second = made(tmp_path)
    assert made(tmp_path, NOW, BAY[:1]) == second, "an address less is no reason"
    moved = made(tmp_path, NOW, [*BAY, ip_address("192.168.7.99")])
    assert moved != second
    (tmp_path / "server.pem").write_bytes(moved[:300])
    assert len(made(tmp_path)) > 1000
    assert authority_of(tmp_path) == authority, "no tablet has to be told again"
    made(tmp_path, days(3400))
    assert authority_of(tmp_path) != authority


def test_keys_are_for_this_user_alone(tmp_path: Path) -> None:
    made(tmp_path / "tls")
    paths = list((tmp_path / "tls").iterdir())
    assert len(paths) == 3
    for path in paths:
        assert path.stat().st_mode & 0o077 == 0


def test_an_address_that_is_not_private_is_served_when_the_authority_was_made_on_it(
    tmp_path: Path,
) -> None:
    first, second = ip_address("203.0.113.9"), ip_address("203.0.113.10")
    made(tmp_path, NOW, [*BAY, first])
    certificate, authority = x509.load_pem_x509_certificates(made(tmp_path, NOW, [first, second]))
    trusts(tmp_path, certificate, x509.IPAddress(first))
    with pytest.raises(VerificationError):
        trusts(tmp_path, certificate, x509.IPAddress(second))
    assert authority == authority_of(tmp_path)
    assert ip_address("127.0.0.1") in certificates.own_addresses()


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port: int = taken.getsockname()[1]
    return port


def test_a_page_comes_over_tls_and_knows_that_it_did(tmp_path: Path) -> None:
    made(tmp_path / "tls")
    tls_port = free_port()
    with subprocess.Popen(
        [sys.executable, "-m", held_server.__name__, "unused"],
        stdout=subprocess.PIPE,
        text=True,
        cwd=HOME,
    ) as server:
        assert server.stdout is not None
        port = server.stdout.readline().strip()
        environment = {
            **os.environ,
            "PATH": f"{os.environ['PATH']}:/usr/sbin",
            "PORT": port,
            "TLS_HOST": "127.0.0.1",
            "TLS_PORT": str(tls_port),
            "TLS_FILE": str(tmp_path / "tls" / "server.pem"),
        }
        words = ["haproxy", "-q", "-db", "-f", str(HOME / "deploy" / "tls.cfg")]
        with subprocess.Popen(words, env=environment) as proxy:
            address = f"https://localhost:{tls_port}/scheme"
            try:
                told = answer_of(address, tmp_path / "tls", proxy)
                taken = {suite for suite in SUITES if shakes_hands(tls_port, suite)}
                old = shakes_hands(tls_port, "ALL", ssl.TLSVersion.TLSv1_1)
            finally:
                proxy.send_signal(signal.SIGTERM)
                server.send_signal(signal.SIGTERM)
    assert told == "https 127.0.0.1"
    assert taken == RECOMMENDED
    assert not old


RECOMMENDED = {"ECDHE-ECDSA-AES128-GCM-SHA256", "ECDHE-ECDSA-AES256-GCM-SHA384"}
"""RFC 9325 (2022), 4.2, for a certificate of an elliptic curve."""
SUITES = {*RECOMMENDED, "ECDHE-ECDSA-AES128-SHA", "ECDHE-ECDSA-AES256-SHA384", "AES128-GCM-SHA256"}


def shakes_hands(port: int, suites: str, version: ssl.TLSVersion = ssl.TLSVersion.TLSv1_2) -> bool:
    """Whether the server speaks this version of TLS in one of these suites."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    context.set_ciphers(f"{suites}:@SECLEVEL=0")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        context.minimum_version = context.maximum_version = version
    try:
        with socket.create_connection(("127.0.0.1", port)) as line:
            context.wrap_socket(line).close()
    except ssl.SSLError:
        return False
    return True


def answer_of(address: str, folder: Path, proxy: "subprocess.Popen[bytes]") -> str:
    """What an address answers to a device that trusts the authority; asked until it listens."""
    context = ssl.create_default_context(cafile=str(folder / certificates.AUTHORITY))
    while proxy.poll() is None:
        try:
            with urlopen(address, context=context) as answer:
                text: str = answer.read().decode()
                return text
        except OSError as error:
            if "refused" not in str(error):
                raise
    raise AssertionError("the proxy has ended")


@pytest.mark.django_db
def test_the_page_that_sets_a_tablet_up(client: Client, settings: Any, data_folder: Path) -> None:
    settings.TLS_PORT = ""
    address = reverse("trust")
    assert b"is not served over https" in client.get(address).content
    assert client.get(reverse("trust_certificate")).status_code == 404
    settings.TLS_PORT = "8443"
    made(data_folder / "tls")
    for host in ("192.168.7.20", "[fd00::2]", "bench.local"):
        page = client.get(address, headers={"host": f"{host}:8000"}).content.decode()
        assert f'href="https://{host}:8443/"' in page
    authority = authority_of(data_folder / "tls")
    words = ["openssl", "x509", "-noout", "-fingerprint", "-sha256", "-in", "authority.pem"]
    told = subprocess.run(words, cwd=data_folder / "tls", capture_output=True, text=True)
    assert told.stdout.strip().split("=")[1] in page
    given = client.get(reverse("trust_certificate"))
    assert x509.load_der_x509_certificate(given.content) == authority
    assert given["Content-Type"] == "application/x-x509-ca-cert"

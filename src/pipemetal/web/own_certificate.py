"""A certificate of the shop's own, so that the way to the tablets is locked: a root that tablets are told to trust once, and
under it the certificate of this machine, made anew before it ends or when the machine is called otherwise.

The root may vouch for nothing but the names and addresses that this machine had when it was made, and addresses of private
networks (name constraints, RFC 5280, section 4.2.1.10; private addresses by RFC 1918 and RFC 4193).
Both keys lie in a folder that its owner alone can read.
"""

from __future__ import annotations

import contextlib
import datetime
import ipaddress
import os
import socket
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from pipemetal.errors import FileFormatError
from pipemetal.files.outbox import move_new, part_folder, private_file, replacing, write
from pipemetal.texts import Text

__all__ = ["Certificate", "certificate_for", "certificates_folder", "given_certificate"]

ROOT_DAYS: Final = 3650
MACHINE_DAYS: Final = 390
"""Browsers refuse one that is good for more than 398 days, where it is not of a root that somebody trusted by hand."""
RENEW_DAYS: Final = 30
EARLIER: Final = datetime.timedelta(days=2)
"""A shop's machine may have a clock that is behind."""
PRIVATE: Final = (
    "10.0.0.0/8",
    "172.16.0.0/12",
    "192.168.0.0/16",
    "169.254.0.0/16",
    "127.0.0.0/8",
    "fc00::/7",
    "fe80::/10",
    "::1/128",
)
_NETWORKS: Final = (ipaddress.IPv4Network, ipaddress.IPv6Network)
ROOT_FILE: Final = "root.pem"
MACHINE_FILE: Final = "machine.pem"


@dataclass(frozen=True)
class Certificate:
    """What a server shows, and what tablets are told to trust; `root` is None where the files were given."""

    chain: Path
    key: Path
    root: bytes | None
    """The root's certificate as PEM, without its key."""
    fingerprint: str
    """SHA-256 of the certificate that is trusted, in pairs of letters, to be compared by eye."""
    left_out: tuple[str, ...] = ()
    """Names and addresses that the root may not vouch for."""


@dataclass(frozen=True)
class _Held:
    """A certificate with its key."""

    certificate: x509.Certificate
    key: ec.EllipticCurvePrivateKey


def certificates_folder() -> Path:
    """Where this machine's certificates lie: PIPEMETAL_TLS, or ~/.pipemetal/tls."""
    return Path(os.environ.get("PIPEMETAL_TLS") or Path.home() / ".pipemetal" / "tls")


def certificate_for(
    names: Iterable[str], folder: Path | None = None, now: datetime.datetime | None = None
) -> Certificate:
    """The certificate of this machine for these names and addresses, made where there is none, or it ends soon.

    Raises: FileFormatError where the folder cannot be written, or holds something else.
    """
    folder = folder or certificates_folder()
    now = now or datetime.datetime.now(datetime.UTC)
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise FileFormatError(
            Text("cannot be written: {strerror}", strerror=error.strerror or str(error)), where=str(folder)
        ) from None
    called = sorted({name.lower().strip("[]") for name in names})
    root = _root(folder / ROOT_FILE, called, now)
    wanted, left_out = _sorted_names(called, root)
    machine = folder / MACHINE_FILE
    if not _serves(machine, root, wanted, now):
        with replacing():
            write(machine, _pem(_machine(root, wanted, now)) + _public(root.certificate), private=True)
    return Certificate(machine, machine, _public(root.certificate), fingerprint_of(root.certificate), tuple(left_out))


def given_certificate(chain: Path, key: Path) -> Certificate:
    """A certificate that the shop has from elsewhere. Raises: FileFormatError where it cannot be read, or key and it differ."""
    try:
        certificate = x509.load_pem_x509_certificates(chain.read_bytes())[0]
        private = serialization.load_pem_private_key(key.read_bytes(), None)
    except OSError as error:
        raise FileFormatError(
            Text("cannot be read: {strerror}", strerror=error.strerror or str(error)), where=str(error.filename)
        ) from None
    except (ValueError, TypeError):
        raise FileFormatError(
            "is no certificate with its key in PEM",
            where=Text("{chain}, {key}", chain=str(chain), key=str(key)),
            allowed="a chain, and its key without a password",
            example="--certificate fullchain.pem --key privkey.pem",
        ) from None
    here, there = (
        k.public_bytes(serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo)
        for k in (certificate.public_key(), private.public_key())
    )
    if here != there:
        raise FileFormatError("is not the key of this certificate", where=str(key), allowed=str(chain))
    if _ends(certificate) <= datetime.datetime.now(datetime.UTC):
        raise FileFormatError(
            Text("ended on {day}", day=_ends(certificate).date().isoformat()),
            where=str(chain),
            allowed="a certificate that is still good; put in place of the old one it is taken up within the hour",
        )
    return Certificate(chain, key, None, fingerprint_of(certificate))


def fingerprint_of(certificate: x509.Certificate) -> str:
    """SHA-256 of a certificate, as the settings of tablets show it."""
    return certificate.fingerprint(hashes.SHA256()).hex(":").upper()


def _root(file: Path, names: Iterable[str], now: datetime.datetime) -> _Held:
    """The root, made where there is none; of two programs that make it at once both use the first."""
    held = _read(file)
    if held is not None and _ends(held.certificate) > now:
        return held
    if held is not None:
        file.unlink(missing_ok=True)
    with part_folder(file) as beside:
        made = beside / ROOT_FILE
        with private_file(made) as out:
            out.write(_pem(_new_root(names, now)))
        with contextlib.suppress(FileExistsError):
            move_new(made, file)
    held = _read(file)
    if held is None:
        raise FileFormatError(
            "is no certificate of this program",
            where=str(file),
            allowed="take it away, and tell the tablets to trust the new one",
        )
    return held


def _new_root(names: Iterable[str], now: datetime.datetime) -> _Held:
    key = ec.generate_private_key(ec.SECP256R1())
    host = socket.gethostname().lower()[:40] or "shop"
    name = _name(f"Pipe shop on {host}, {now.date().isoformat()}")
    networks = [ipaddress.ip_network(network) for network in PRIVATE]
    domains = [host, "localhost", "local", "lan", "internal", "home.arpa"]
    for one in names:
        try:
            networks.append(ipaddress.ip_network(one))
        except ValueError:
            domains.append(one)
    allowed: list[x509.GeneralName] = [x509.DNSName(domain) for domain in dict.fromkeys(domains)]
    allowed += [x509.IPAddress(network) for network in dict.fromkeys(networks)]
    built = (
        _begun(name, name, key, now, ROOT_DAYS)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs=True), critical=True)
        .add_extension(x509.NameConstraints(allowed, None), critical=True)
    )
    return _Held(built.sign(key, hashes.SHA256()), key)


def _machine(root: _Held, names: list[x509.GeneralName], now: datetime.datetime) -> _Held:
    key = ec.generate_private_key(ec.SECP256R1())
    days = min(MACHINE_DAYS, (_ends(root.certificate) - now).days)
    built = (
        _begun(_name("Shop book"), root.certificate.subject, key, now, days)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(root.key.public_key()), critical=False)
    )
    return _Held(built.sign(root.key, hashes.SHA256()), key)


def _begun(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePrivateKey, now: datetime.datetime, days: int
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - EARLIER)
        .not_valid_after(now + datetime.timedelta(days=days))
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )


def _usage(*, signs: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs,
        key_cert_sign=signs,
        crl_sign=signs,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )


def _name(text: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text[:64])])


def _sorted_names(names: Iterable[str], root: _Held) -> tuple[list[x509.GeneralName], list[str]]:
    """Names and addresses that the root may vouch for, and the others."""
    permitted = root.certificate.extensions.get_extension_for_class(x509.NameConstraints).value.permitted_subtrees or []
    domains = [one.value for one in permitted if isinstance(one, x509.DNSName)]
    networks = [one.value for one in permitted if isinstance(one, x509.IPAddress)]
    fine: list[x509.GeneralName] = []
    others: list[str] = []
    for name in names:
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            if any(name == domain or name.endswith(f".{domain}") for domain in domains):
                fine.append(x509.DNSName(name))
                continue
        else:
            if any(isinstance(n, _NETWORKS) and address in n for n in networks):
                fine.append(x509.IPAddress(address))
                continue
        others.append(name)
    return fine, others


def _serves(file: Path, root: _Held, names: list[x509.GeneralName], now: datetime.datetime) -> bool:
    """Whether this machine's certificate is of this root, for all these names, and good for some time yet."""
    held = _read(file)
    if held is None:
        return False
    certificate = held.certificate
    try:
        certificate.verify_directly_issued_by(root.certificate)
        there = list(certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value)
    except Exception:  # whatever stands there, it is made anew
        return False
    soon = min(now + datetime.timedelta(days=RENEW_DAYS), _ends(root.certificate))
    return (
        all(name in there for name in names) and _ends(certificate) >= soon and certificate.not_valid_before_utc <= now
    )


def _ends(certificate: x509.Certificate) -> datetime.datetime:
    return certificate.not_valid_after_utc


def _read(file: Path) -> _Held | None:
    """What lies in a file: None where nothing does, or it is none of ours."""
    try:
        content = file.read_bytes()
        key = serialization.load_pem_private_key(content, None)
        certificate = x509.load_pem_x509_certificates(content)[0]
    except (OSError, ValueError, TypeError):
        return None
    if not isinstance(key, ec.EllipticCurvePrivateKey) or certificate.public_key() != key.public_key():
        return None
    return _Held(certificate, key)


def _pem(held: _Held) -> bytes:
    key = held.key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    return key + _public(held.certificate)


def _public(certificate: x509.Certificate) -> bytes:
    return certificate.public_bytes(serialization.Encoding.PEM)

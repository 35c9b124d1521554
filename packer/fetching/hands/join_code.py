"""The code by which a hand joins, and the certificates behind it.

    192.168.8.10:41873/4F7K...-9QXM...

It has the address, a secret and the fingerprint of the planning machine's certificate. The hand connects to nobody with
another certificate. From the secret both sides make the same client certificate, and the planning machine lets nobody
in who does not hold that. So both are settled within the TLS handshake, before one message is read.

Nobody who knows the code can pass for the planning machine: its own key is on that machine alone.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import hmac
import json
import os
import secrets
import socket
import ssl
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed25519
from cryptography.x509.oid import NameOID

from packer.errors import DiskError, InputError, NetworkError
from packer.fetching.pacing.shared_record import state_folder

__all__ = ["Identity", "JoinCode", "hand_context", "kept_identity", "planner_context"]

# 80 bits and 16 letters each: out of reach of trying, also of what was recorded.
_SECRET_BYTES, _PRINT_BYTES = 10, 10
_FROM, _TO = datetime(2020, 1, 1, tzinfo=UTC), datetime(2120, 1, 1, tzinfo=UTC)
_CONNECT_S = 10.0


@dataclass(frozen=True, slots=True)
class JoinCode:
    """Where the planning machine listens, `place` as HOST:PORT, and what proves both sides to each other."""

    place: str
    secret: bytes = field(repr=False)
    fingerprint: bytes

    def __str__(self) -> str:
        return f"{self.place}/{_text(self.secret)}-{_text(self.fingerprint)}"

    @classmethod
    def read(cls, text: str) -> JoinCode:
        """The code as somebody pasted it. Raises InputError."""
        place, _, rest = "".join(text.split()).rpartition("/")
        host, _, port = place.rpartition(":")
        secret, _, fingerprint = rest.partition("-")
        try:
            found = cls(place, _bytes(secret), _bytes(fingerprint))
            whole = len(found.secret) == _SECRET_BYTES and len(found.fingerprint) == _PRINT_BYTES
        except ValueError:
            whole = False
        if not (whole and host and port.isascii() and port.isdigit() and 0 < int(port) < 65_536):
            raise InputError(
                "This is no code to join by. It looks like 192.168.8.10:41873/… and is shown by lastbar fetch "
                "--hands share on the planning machine. Copy all of it."
            )
        return found

    @property
    def host_port(self) -> tuple[str, int]:
        """Host and port to connect to."""
        host, _, port = self.place.rpartition(":")
        return host.strip("[]"), int(port)


@dataclass(frozen=True, slots=True)
class Identity:
    """The planning machine's: the secret of the code, its own certificate and key in PEM."""

    secret: bytes = field(repr=False)
    certificate: bytes
    key: bytes = field(repr=False)

    @classmethod
    def fresh(cls) -> Identity:
        """A new one, from the system's own randomness."""
        key = ec.generate_private_key(ec.SECP256R1())
        certificate = _certificate("planning machine", key, hashes.SHA256(), secrets.randbits(63))
        return cls(secrets.token_bytes(_SECRET_BYTES), certificate, _key_text(key))

    def code(self, place: str) -> JoinCode:
        """What a hand has to know to join at `place`."""
        found = x509.load_pem_x509_certificate(self.certificate).fingerprint(hashes.SHA256())
        return JoinCode(place, self.secret, found[:_PRINT_BYTES])


def kept_identity(store: Path) -> Identity:
    """The identity for the packs in `store`: the same at each start, so that hands find their way back after a crash.

    It is kept in the user's state folder, for the user alone. Raises DiskError. If the process dies: there is one, or
    the next start makes one.
    """
    name = hashlib.sha256(str(store.absolute()).encode()).hexdigest()[:24]
    path = state_folder().parent / "hands" / f"{name}.json"
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
        found = json.loads(path.read_bytes())
        kept = Identity(*(base64.b64decode(found[part]) for part in ("secret", "certificate", "key")))
        if len(kept.secret) == _SECRET_BYTES:
            return kept
    identity = Identity.fresh()
    parts = {
        name: base64.b64encode(getattr(identity, name)).decode() for name in ("secret", "certificate", "key")
    }
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        handle, new = tempfile.mkstemp(dir=path.parent)  # for its owner alone
        with os.fdopen(handle, "w") as file:
            json.dump(parts, file)
        Path(new).replace(path)
    except OSError as fault:
        raise DiskError(
            f"The key by which hands join cannot be kept in {path.parent}: {fault.strerror or fault}. Make room there, "
            "or set XDG_STATE_HOME to another folder."
        ) from None
    return identity


def planner_context(identity: Identity) -> ssl.SSLContext:
    """TLS for the planning machine: it lets in whoever has the client certificate of the secret."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_3
    context.verify_mode = ssl.CERT_REQUIRED
    context.load_verify_locations(cadata=_client(identity.secret)[0].decode())
    _load(context, identity.certificate, identity.key)
    return context


def hand_context(code: JoinCode) -> ssl.SSLContext:
    """TLS for a hand: it talks to nobody but the machine with the certificate that the code names.

    Connects once to read that certificate; may take some seconds. Raises NetworkError if nobody is there, somebody
    with another certificate, or one that does not take the code.
    """
    certificate, taken = _seen_certificate(code)
    if not hmac.compare_digest(hashlib.sha256(certificate).digest()[:_PRINT_BYTES], code.fingerprint):
        raise NetworkError(
            f"At {code.place} there is not the planning machine that this code is of. Ask the planner for the code of "
            "today. Nothing was sent."
        )
    if not taken:
        raise NetworkError(
            f"The planning machine at {code.place} does not take this code. Copy it again, as that machine shows it."
        )
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_3
    context.check_hostname = False  # the certificate itself is pinned; it has no name of a host
    context.load_verify_locations(cadata=certificate)
    _load(context, *_client(code.secret))
    return context


def _seen_certificate(code: JoinCode) -> tuple[bytes, bool]:
    """The certificate that is shown at the place of the code, in DER, and whether the code is taken there. Nothing is
    believed of it yet."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    context.minimum_version = ssl.TLSVersion.TLSv1_3
    _load(context, *_client(code.secret))  # or the planning machine breaks the connection off
    try:
        with (
            socket.create_connection(code.host_port, timeout=_CONNECT_S) as raw,
            context.wrap_socket(raw) as connection,
        ):
            return connection.getpeercert(binary_form=True) or b"", _is_taken(connection)
    except OSError as fault:
        raise NetworkError(
            f"Nobody answers at {code.place} ({fault.strerror or fault}). Is lastbar fetch --hands running on the "
            "planning machine, and are both in one network?"
        ) from None


def _is_taken(connection: ssl.SSLSocket) -> bool:
    """Whether the other side goes on. In TLS 1.3 it looks at a certificate when the handshake has ended here (RFC
    8446, section 4.4.2.4), and breaks the connection off with an alert; a planning machine speaks first."""
    try:
        return bool(connection.recv(1))
    except TimeoutError:
        return True  # it may be slow
    except OSError:
        return False


def _client(secret: bytes) -> tuple[bytes, bytes]:
    """The client certificate and its key in PEM, the same wherever they are made: an Ed25519 signature has no chance in
    it (RFC 8032, section 5.1.6)."""
    seed = hmac.digest(secret, b"lastbar hand", "sha256")
    key = ed25519.Ed25519PrivateKey.from_private_bytes(seed)
    return _certificate("hand", key, None, 1), _key_text(key)


def _certificate(
    name: str,
    key: ec.EllipticCurvePrivateKey | ed25519.Ed25519PrivateKey,
    algorithm: hashes.SHA256 | None,
    number: int,
) -> bytes:
    names = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"lastbar {name}")])
    made = x509.CertificateBuilder(names, names, key.public_key(), number, _FROM, _TO)
    made = made.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
    return made.sign(key, algorithm).public_bytes(serialization.Encoding.PEM)


def _key_text(key: ec.EllipticCurvePrivateKey | ed25519.Ed25519PrivateKey) -> bytes:
    return key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )


def _load(context: ssl.SSLContext, certificate: bytes, key: bytes) -> None:
    """Python's ssl takes both from files alone: one that is there for a moment, in memory where the system can."""
    with _short_file(certificate + key) as path:
        context.load_cert_chain(path)


@contextmanager
def _short_file(content: bytes) -> Iterator[str]:
    if hasattr(os, "memfd_create"):
        handle = os.memfd_create("lastbar")
        try:
            os.write(handle, content)
            yield f"/proc/self/fd/{handle}"
        finally:
            os.close(handle)
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "pair.pem")
        path.touch(mode=0o600)
        path.write_bytes(content)
        yield str(path)


def _text(data: bytes) -> str:
    return base64.b32encode(data).decode().rstrip("=")


def _bytes(text: str) -> bytes:
    return base64.b32decode(text.upper() + "=" * (-len(text) % 8))

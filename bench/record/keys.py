"""Ed25519 keys (RFC 8032) that sign a record's manifest: a pair of PEM files, the private one its owner's alone.

The key says who closed a record; whom to believe is decided by the public key that an inspector was given by hand.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import TYPE_CHECKING

from bench.errors import InputError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

PRIVATE_FILE = "private.pem"
PUBLIC_FILE = "public.pem"
VARIABLE = "TOPBOX_BENCH_KEY"


class SigningKey:
    """A private key, held in memory. `public` is the 32 bytes of its public key."""

    def __init__(self, private: Ed25519PrivateKey) -> None:
        self._private = private
        self.public = private.public_key().public_bytes_raw()

    def sign(self, data: bytes) -> bytes:
        """The 64 bytes of the signature; the same data gives the same bytes."""
        return self._private.sign(data)


def is_signed(public: bytes, signature: bytes, data: bytes) -> bool:
    """Whether `signature` over `data` was made with the private key that belongs to `public`."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(public).verify(signature, data)
    except (InvalidSignature, ValueError):
        return False
    return True


def fingerprint(public: bytes) -> str:
    """What people compare by eye: SHA-256 of the key's 32 bytes, as 16 groups of four hex digits."""
    digest = hashlib.sha256(public).hexdigest()
    return " ".join(digest[place : place + 4] for place in range(0, len(digest), 4))


def make_pair(folder: Path) -> None:
    """Make private.pem and public.pem in `folder`. Raises InputError where there are some, or none can be written."""
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    private = Ed25519PrivateKey.generate()
    encoding = serialization.Encoding.PEM
    secret = private.private_bytes(encoding, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    open_one = private.public_key().public_bytes(encoding, serialization.PublicFormat.SubjectPublicKeyInfo)
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        _write_new(folder / PRIVATE_FILE, secret, 0o600)
        _write_new(folder / PUBLIC_FILE, open_one, 0o644)
    except FileExistsError as error:
        place = error.filename
        raise InputError.at(place, "is there already; a key is never written over", "name another folder") from error
    except OSError as error:
        raise InputError.at(folder, f"cannot be written: {error.strerror}") from error


def load_private(path: Path) -> SigningKey:
    """Raises InputError for a file that is no private Ed25519 key, or that others than its owner can read."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    data = _read(path)
    if os.name != "nt" and path.stat().st_mode & 0o077:
        wrong = "this private key can be read by others than its owner; whoever read it can sign in your name"
        raise InputError.at(path, wrong, f"chmod 600 {path}, or make a new pair with 'topbox-bench keys'")
    try:
        key = load_pem_private_key(data, password=None)
    except (ValueError, TypeError) as error:  # TypeError: it is protected by a password
        right = f"name the {PRIVATE_FILE} that 'topbox-bench keys' made"
        raise InputError.at(path, "this is no private key that can be used", right) from error
    if not isinstance(key, Ed25519PrivateKey):
        raise InputError.at(path, "this key is not an Ed25519 one", "make one with 'topbox-bench keys'")
    return SigningKey(key)


def load_public(path: Path) -> bytes:
    """The 32 bytes of a public key. Raises InputError for a file that is none."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    try:
        key = load_pem_public_key(_read(path))
    except ValueError:
        key = None
    if not isinstance(key, Ed25519PublicKey):
        right = f"name the {PUBLIC_FILE} that 'topbox-bench keys' made"
        raise InputError.at(path, "this is no public Ed25519 key", right)
    return key.public_bytes_raw()


def configured_key(path: Path | None) -> SigningKey | None:
    """The key to sign with: the given file, else the one that the environment names, else none."""
    if path is None and os.environ.get(VARIABLE):
        path = Path(os.environ[VARIABLE])
    return None if path is None else load_private(path)


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError.at(path, f"cannot be read: {error.strerror}") from error


def _write_new(path: Path, data: bytes, mode: int) -> None:
    """The file never exists with wider rights than `mode`, whatever the umask."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    with os.fdopen(descriptor, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())

"""A detached Ed25519 signature over the manifest of a dossier (RFC 8032; keys as PEM, RFC 8410).

The signature is the bare 64 bytes, which OpenSSL 3 verifies without this software:
``openssl pkeyutl -verify -pubin -inkey public-key.pem -rawin -in FILE -sigfile FILE.sig``.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from hil.core.errors import HilError, PlanError, StoreError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import (
        Ed25519PrivateKey,
        Ed25519PublicKey,
    )


class SignatureUnavailable(HilError):
    """The optional library for signatures is not installed."""


class Signer:
    """A private key that the user named.

    Raises
    ------
    PlanError
        If the file is no unencrypted Ed25519 key in PEM.
    SignatureUnavailable
        Without the optional library.
    """

    def __init__(self, key: Path) -> None:
        self._key = _private(key)

    def public_pem(self) -> bytes:
        """The public key that belongs to it, PEM."""
        from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

        public = self._key.public_key()
        return public.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)

    def sign(self, content: bytes) -> bytes:
        """The signature of `content`, 64 bytes."""
        return self._key.sign(content)


def fits(content: bytes, signature: bytes, key: Path) -> bool:
    """Whether `signature` was made over `content` with the private key of the public `key`.

    Raises
    ------
    StoreError
        If the file is no Ed25519 public key in PEM.
    SignatureUnavailable
        Without the optional library.
    """
    _require()
    from cryptography.exceptions import InvalidSignature

    public = _public(key)
    try:
        public.verify(signature, content)
    except InvalidSignature:
        return False
    return True


def same_key(one: Path, other: Path) -> bool:
    """Whether two PEM files hold the same public key, however they are wrapped.

    Raises
    ------
    StoreError, SignatureUnavailable
        As `fits`.
    """
    _require()
    return _public(one).public_bytes_raw() == _public(other).public_bytes_raw()


def _require() -> None:
    try:
        import cryptography  # noqa: F401 - only whether it is there
    except ImportError as problem:
        raise SignatureUnavailable(
            "signatures need the package cryptography: pip install 'hil[signature]'"
        ) from problem


def _private(path: Path) -> Ed25519PrivateKey:
    _require()
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    expected = "expected an Ed25519 private key in PEM (openssl genpkey -algorithm ed25519)"
    try:
        key = load_pem_private_key(path.read_bytes(), password=None)
    except OSError as problem:
        raise PlanError(f"cannot be read: {problem.strerror}", file=str(path)) from problem
    except TypeError as problem:
        raise PlanError(
            f"{expected}, found one protected by a pass phrase: sign {'manifest.sha256'} with "
            "openssl instead, as HOW-TO-VERIFY.txt in the dossier says",
            file=str(path),
        ) from problem
    except (ValueError, UnsupportedAlgorithm) as problem:
        raise PlanError(f"{expected}: {problem}", file=str(path)) from problem
    if not isinstance(key, Ed25519PrivateKey):
        raise PlanError(f"{expected}, found another kind of key", file=str(path))
    return key


def _public(path: Path) -> Ed25519PublicKey:
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    expected = "expected an Ed25519 public key in PEM"
    try:
        key = load_pem_public_key(path.read_bytes())
    except OSError as problem:
        raise StoreError(f"{path}: cannot be read: {problem.strerror}") from problem
    except (ValueError, UnsupportedAlgorithm) as problem:
        raise StoreError(f"{path}: {expected}: {problem}") from problem
    if not isinstance(key, Ed25519PublicKey):
        raise StoreError(f"{path}: {expected}, found another kind of key")
    return key

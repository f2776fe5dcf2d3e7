"""Detached Ed25519 signatures (RFC 8032) over the SHA-256 of a file, with keys in PEM (RFC 8410).

What is signed are the 32 bytes of the file's SHA-256, and the signature is its 64 bytes, so that others check it too:

    openssl dgst -sha256 -binary acceptance.pdf > acceptance.sha256
    openssl pkeyutl -verify -pubin -inkey public.pem -rawin -in acceptance.sha256 -sigfile acceptance.pdf.sig
"""

import hashlib
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import load_pem_private_key, load_pem_public_key

from tiepoint.documents.files import read_bytes
from tiepoint.foundation.errors import UnusableInput

SUFFIX = ".sig"
LENGTH = 64
_MOST_KEY, _MOST_FILE = 10_000, 400_000_000


def signature_of(data: bytes, key: Ed25519PrivateKey) -> bytes:
    """Return the signature (64 bytes) over the SHA-256 of data."""
    return key.sign(hashlib.sha256(data).digest())


def is_signed(data: bytes, signature: bytes, key: Ed25519PublicKey) -> bool:
    """Return whether a signature is that of a key over the SHA-256 of data."""
    try:
        key.verify(signature, hashlib.sha256(data).digest())
    except InvalidSignature:
        return False
    return True


def private_key(path: Path) -> Ed25519PrivateKey:
    """Return a private key from its PEM file; `UnusableInput` where it is none, or locked by a passphrase."""
    data = read_bytes(path, _MOST_KEY)
    try:
        key = load_pem_private_key(data, password=None)
    except TypeError as error:
        raise UnusableInput(
            f"{path} is locked by a passphrase; unlock a copy with openssl pkey, and delete it afterwards"
        ) from error
    except ValueError as error:
        raise UnusableInput(f"{path} holds no private key; make one with openssl genpkey -algorithm ed25519") from error
    if not isinstance(key, Ed25519PrivateKey):
        raise UnusableInput(f"{path} holds a key of another kind; make one with openssl genpkey -algorithm ed25519")
    return key


def public_key(path: Path) -> Ed25519PublicKey:
    """Return a public key from its PEM file; `UnusableInput` where it is none."""
    try:
        key = load_pem_public_key(read_bytes(path, _MOST_KEY))
    except ValueError as error:
        raise UnusableInput(f"{path} holds no public key; openssl pkey -pubout writes that of a private one") from error
    if not isinstance(key, Ed25519PublicKey):
        raise UnusableInput(f"{path} holds a key of another kind than Ed25519; ask the signer for the right one")
    return key


def signature_path(path: Path) -> Path:
    """Return where the signature of a file stands: beside it, under its name with `.sig`."""
    return path.with_name(path.name + SUFFIX)


def check_signature(path: Path, key: Ed25519PublicKey) -> bool:
    """Return whether the signature beside a file is that of a key; `UnusableInput` where there is none to check."""
    beside = signature_path(path)
    if not beside.is_file():
        raise UnusableInput(f"there is no signature {beside}; it is written beside the report by --sign")
    signature = read_bytes(beside, _MOST_KEY)
    if len(signature) != LENGTH:
        raise UnusableInput(f"{beside} is no signature: it has {len(signature)} bytes, and {LENGTH} are due")
    return is_signed(read_bytes(path, _MOST_FILE), signature, key)

"""Signatures of reports, held to RFC 8032's test vectors and to openssl."""

import hashlib
import shutil
import subprocess

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from tiepoint.documents import signing
from tiepoint.documents.signing import check_signature, is_signed, private_key, public_key, signature_of, signature_path
from tiepoint.foundation.errors import UnusableInput

# RFC 8032, 7.1: secret key, public key, message, signature of tests 1, 2 and 3.
VECTORS = [
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46b"
        "d25bf5f0595bbe24655141438e7a100b",
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c"
        "387b2eaeb4302aeeb00d291612bb0c00",
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc659"
        "4a7c15e9716ed28dc027beceea1ec40a",
    ),
]


class _Message:
    """Stands in for SHA-256 where the vectors are of a message: its `digest` is the message itself."""

    def __init__(self, data: bytes) -> None:
        self.data = data

    def digest(self) -> bytes:
        return self.data


@pytest.mark.parametrize(("secret", "public", "message", "signature"), VECTORS)
def test_the_vectors_of_rfc_8032(monkeypatch, secret, public, message, signature):
    monkeypatch.setattr(signing.hashlib, "sha256", _Message)
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
    assert signature_of(bytes.fromhex(message), key).hex() == signature
    other = Ed25519PublicKey.from_public_bytes(bytes.fromhex(public))
    assert is_signed(bytes.fromhex(message), bytes.fromhex(signature), other)
    assert not is_signed(bytes.fromhex(message) + b"x", bytes.fromhex(signature), other)


@pytest.fixture
def keys(tmp_path):
    """Return a pair of keys that openssl made, in PEM."""
    if shutil.which("openssl") is None:
        pytest.skip("no openssl is installed (apt-get install openssl)")
    private, public = tmp_path / "key.pem", tmp_path / "public.pem"
    _openssl("genpkey", "-algorithm", "ed25519", "-out", private)
    _openssl("pkey", "-in", private, "-pubout", "-out", public)
    return private, public


def _openssl(*words):
    return subprocess.run(["openssl", *map(str, words)], capture_output=True, check=False)


def test_openssl_takes_the_signature_and_refuses_it_of_another_file(keys, tmp_path):
    private, public = keys
    report = tmp_path / "acceptance.pdf"
    report.write_bytes(b"%PDF-1.7 a report")
    signature_path(report).write_bytes(signature_of(report.read_bytes(), private_key(private)))
    assert check_signature(report, public_key(public))
    digest = tmp_path / "digest"
    words = ("pkeyutl", "-verify", "-pubin", "-inkey", public, "-rawin", "-in", digest, "-sigfile")
    digest.write_bytes(hashlib.sha256(report.read_bytes()).digest())
    assert _openssl(*words, signature_path(report)).returncode == 0
    digest.write_bytes(hashlib.sha256(b"another").digest())
    assert _openssl(*words, signature_path(report)).returncode != 0
    report.write_bytes(b"%PDF-1.7 another report")
    assert not check_signature(report, public_key(public))


def test_what_is_no_key_or_no_signature_is_told(keys, tmp_path):
    private, public = keys
    report = tmp_path / "acceptance.pdf"
    report.write_bytes(b"%PDF")
    with pytest.raises(UnusableInput, match="no signature"):
        check_signature(report, public_key(public))
    signature_path(report).write_bytes(b"short")
    with pytest.raises(UnusableInput, match="5 bytes, and 64 are due"):
        check_signature(report, public_key(public))
    for read, path, says in (
        (private_key, public, "no private key"),
        (public_key, private, "no public key"),
        (private_key, report, "no private key"),
    ):
        with pytest.raises(UnusableInput, match=says):
            read(path)
    _openssl("genpkey", "-algorithm", "X25519", "-out", tmp_path / "other.pem")
    with pytest.raises(UnusableInput, match="another kind"):
        private_key(tmp_path / "other.pem")
    _openssl("pkey", "-in", private, "-aes256", "-passout", "pass:x", "-out", tmp_path / "locked.pem")
    with pytest.raises(UnusableInput, match="passphrase"):
        private_key(tmp_path / "locked.pem")

"""The key that signs the seals' heads, as the environment gives it; only config/settings.py calls these."""

from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ed25519
from django.core.exceptions import ImproperlyConfigured


def seal_key(text: str) -> str:
    """A private Ed25519 key (RFC 8032) as PEM, taken as it is."""
    try:
        key = serialization.load_pem_private_key(text.encode(), password=None)
    except Exception as error:  # of many kinds
        raise ImproperlyConfigured("SEAL_KEY must be a private key as PEM, without a password.") from error
    if not isinstance(key, ed25519.Ed25519PrivateKey):
        raise ImproperlyConfigured("SEAL_KEY must be an Ed25519 key: openssl genpkey -algorithm ed25519.")
    return text


def new_seal_key() -> str:
    """A fresh one."""
    return ed25519.Ed25519PrivateKey.generate().private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    ).decode()  # fmt: skip

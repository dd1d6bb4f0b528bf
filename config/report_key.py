"""The keys that open reports sealed on a station's tablet, as the environment gives them; only config/settings.py calls
these."""

import re

from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec
from django.core.exceptions import ImproperlyConfigured

_PEM = re.compile(r"-----BEGIN [^-]+-----.*?-----END [^-]+-----", re.DOTALL)


def report_keys(text: str) -> tuple[str, ...]:
    """Private keys of the curve P-256 as PEM, one after another: tablets seal for the first, all of them open."""
    blocks = [block for block in _PEM.findall(text) if "EC PARAMETERS" not in block]
    if text.strip() and not blocks:
        raise ImproperlyConfigured("REPORT_KEY must be a private key as PEM, without a password.")
    for block in blocks:
        try:
            key = serialization.load_pem_private_key(block.encode(), password=None)
        except Exception as error:  # of many kinds
            raise ImproperlyConfigured(
                "REPORT_KEY must be a private key as PEM, without a password."
            ) from error
        if not isinstance(key, ec.EllipticCurvePrivateKey) or not isinstance(key.curve, ec.SECP256R1):
            raise ImproperlyConfigured("REPORT_KEY must hold keys of the curve P-256 (prime256v1).")
    return tuple(blocks)


def new_report_key() -> str:
    """A fresh one."""
    return ec.generate_private_key(ec.SECP256R1()).private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    ).decode()  # fmt: skip

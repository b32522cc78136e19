"""Sealing of what has to be read again, with what stands outside the database: the server's secret.

The cipher is loaded with the first seal: an event of the log stands on nothing of it.
"""

import base64
from typing import Any

from django.conf import settings
from django.utils.encoding import force_bytes


def seals(purpose: bytes) -> Any:
    """What seals and opens for one purpose; a former secret of the server still opens."""
    from cryptography.fernet import Fernet, MultiFernet
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.kdf.hkdf import HKDF

    made = []
    for secret in (settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS):
        from_it = HKDF(hashes.SHA256(), 32, salt=None, info=purpose)
        made.append(Fernet(base64.urlsafe_b64encode(from_it.derive(force_bytes(secret)))))
    return MultiFernet(made)

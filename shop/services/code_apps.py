"""Codes of an app: time-based one-time passwords (RFC 6238) of six digits, new every 30 s.

The key has 160 bits and is hashed with SHA-1, which is what apps know (RFC 4226, 4 and 5.3).
"""

import base64
import logging
import secrets
from typing import Final

from cryptography.fernet import InvalidToken
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.twofactor.totp import TOTP
from django.utils import timezone
from django.utils.crypto import constant_time_compare

from shop.models import CodeApp, StaffMember
from shop.sealing import seals

STEP_S: Final = 30
DIGITS: Final = 6
DRIFT: Final = 1
"""A code of one step before or after is taken too: clocks differ (RFC 6238, 5.2 and 6)."""

_KEY_BYTES: Final = 20
_PURPOSE: Final = b"shop.code_apps"
_log = logging.getLogger(__name__)


def new_key_sealed() -> str:
    """A key drawn by lot, sealed."""
    sealed: bytes = seals(_PURPOSE).encrypt(secrets.token_bytes(_KEY_BYTES))
    return sealed.decode()


def _opened(key_sealed: str) -> bytes | None:
    try:
        opened: bytes = seals(_PURPOSE).decrypt(key_sealed)
        return opened
    except InvalidToken:
        _log.error("The key of a code app was sealed with another secret: it takes no code.")
        return None


def _sum(key: bytes, digits: int = DIGITS) -> TOTP:
    return TOTP(key, digits, hashes.SHA1(), STEP_S)


def code_at(key: bytes, at_s: int, digits: int = DIGITS) -> str:
    """The code that an app shows at a moment, in seconds since 1970."""
    return _sum(key, digits).generate(at_s).decode()


def code_now(key_sealed: str) -> str:
    """The code that the app shows now."""
    key = _opened(key_sealed)
    return code_at(key, int(timezone.now().timestamp())) if key else ""


def as_text(key_sealed: str) -> str:
    """The key as it is typed into an app: base 32, in groups of four."""
    text = base64.b32encode(_opened(key_sealed) or b"").decode().rstrip("=")
    return " ".join(text[place : place + 4] for place in range(0, len(text), 4))


def address(key_sealed: str, person: StaffMember, issuer: str) -> str:
    """What the QR code holds, `otpauth://totp/…`, as apps read it."""
    return _sum(_opened(key_sealed) or b"").get_provisioning_uri(person.username, issuer)


def step_of(key_sealed: str, code: str) -> int | None:
    """The step whose code this is, now or one beside now; None for any other."""
    key = _opened(key_sealed)
    if key is None or len(code) != DIGITS:
        return None
    now = int(timezone.now().timestamp()) // STEP_S
    found = None
    for step in range(now - DRIFT, now + DRIFT + 1):
        if constant_time_compare(code_at(key, step * STEP_S), code):
            found = step
    return found


def take(person: StaffMember, code: str) -> bool:
    """Whether the code is right and newer than every one taken: of two askers at once one is told
    yes."""
    app = CodeApp.objects.filter(person=person).first()
    step = step_of(app.key_sealed, code) if app else None
    if app is None or step is None:
        return False
    unused = CodeApp.objects.filter(pk=app.pk, last_step__lt=step)
    return bool(unused.update(last_step=step))

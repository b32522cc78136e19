"""A device that makes and shows passkeys as the standard says, without a browser: Web
Authentication, W3C, Level 2, sections 5.8.1, 6.1, 6.5.1 and 8.7."""

import json
import secrets
from base64 import urlsafe_b64decode, urlsafe_b64encode
from hashlib import sha256
from typing import Any

import cbor2
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.hashes import SHA256

PRESENT, VERIFIED, HOLDS_KEY = 0x01, 0x04, 0x40


def _text(some: bytes) -> str:
    return urlsafe_b64encode(some).decode().rstrip("=")


def _bytes(text: str) -> bytes:
    return urlsafe_b64decode(text + "=" * (-len(text) % 4))


class Device:
    """One key on the curve P-256; `counts` as many keys on a key ring do, phones do not."""

    def __init__(self, *, counts: bool = True) -> None:
        self.key = ec.generate_private_key(ec.SECP256R1())
        self.name = secrets.token_bytes(32)
        self.counts, self.count = counts, 0

    def make(self, options: dict[str, Any], origin: str) -> str:
        """What `navigator.credentials.create` gives, as JSON."""
        public = self.key.public_key().public_numbers()
        x, y = (number.to_bytes(32, "big") for number in (public.x, public.y))
        cose = cbor2.dumps({1: 2, 3: -7, -1: 1, -2: x, -3: y})
        held = bytes(16) + len(self.name).to_bytes(2, "big") + self.name + cose
        data = self._data(options["rp"]["id"], HOLDS_KEY) + held
        attested = cbor2.dumps({"fmt": "none", "attStmt": {}, "authData": data})
        return self._answer("webauthn.create", options, origin, attestationObject=attested)

    def show(self, options: dict[str, Any], origin: str) -> str:
        """What `navigator.credentials.get` gives, as JSON."""
        self.count += self.counts
        data = self._data(options["rpId"], 0)
        asked = self._asked("webauthn.get", options, origin)
        signature = self.key.sign(data + sha256(asked).digest(), ec.ECDSA(SHA256()))
        return self._answer(
            "webauthn.get", options, origin, authenticatorData=data, signature=signature
        )

    def _data(self, rp_id: str, flags: int) -> bytes:
        about = bytes([PRESENT | VERIFIED | flags]) + self.count.to_bytes(4, "big")
        return sha256(rp_id.encode()).digest() + about

    @staticmethod
    def _asked(kind: str, options: dict[str, Any], origin: str) -> bytes:
        return json.dumps(
            {"type": kind, "challenge": options["challenge"], "origin": origin}
        ).encode()

    def _answer(self, kind: str, options: dict[str, Any], origin: str, **parts: bytes) -> str:
        response = {name: _text(part) for name, part in parts.items()}
        response["clientDataJSON"] = _text(self._asked(kind, options, origin))
        own = {"id": _text(self.name), "rawId": _text(self.name), "type": "public-key"}
        return json.dumps({**own, "response": response})

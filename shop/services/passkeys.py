"""Passkeys (Web Authentication, W3C, Level 2): made and shown by a browser, checked here.

A browser offers them on a secure page with a name for its address alone, and each is good for the
name that it was made under. What comes back answers a challenge that the session holds; an answer
takes the challenge away.
"""

import json
import re
from datetime import datetime, timedelta
from hashlib import sha256
from ipaddress import ip_address
from typing import Any, Final

from django.db import IntegrityError, transaction
from django.http import HttpRequest
from django.utils import timezone
from django.utils.crypto import salted_hmac

from shop.lazy import Lazy
from shop.models import Passkey, StaffMember
from shop.session_keys import CHALLENGE

webauthn = Lazy("webauthn")
structs = Lazy("webauthn.helpers.structs")

LASTS: Final = timedelta(minutes=5)
_MOST_OF_AN_ANSWER: Final = 20_000
_CREDENTIAL: Final = re.compile(r"[A-Za-z0-9_-]{1,1400}\Z")


class Refused(Exception):
    """The browser's answer proves nothing."""


def host_of(request: HttpRequest) -> str:
    """The name under which this page was opened, without its port."""
    host = request.get_host()
    return host if host.endswith("]") else host.rsplit(":", 1)[0]


def possible(request: HttpRequest) -> bool:
    """Whether browsers offer passkeys here: over TLS or on this very machine, and by a name."""
    host = host_of(request)
    try:
        ip_address(host.strip("[]"))
    except ValueError:
        here = host == "localhost" or host.endswith(".localhost")
        return request.is_secure() or here
    return False


def _begin(request: HttpRequest, purpose: str, options: Any) -> dict[str, Any]:
    """Keep the challenge; gives the options as the browser's script takes them."""
    said: dict[str, Any] = json.loads(webauthn.options_to_json(options))
    request.session[CHALLENGE] = {
        "value": said["challenge"],
        "purpose": purpose,
        "at": timezone.now().isoformat(),
    }
    return said


def options_to_make(request: HttpRequest, person: StaffMember, shop_name: str) -> dict[str, Any]:
    """What a browser needs to make a passkey for a person."""
    theirs = Passkey.objects.filter(person=person, host=host_of(request))
    options = webauthn.generate_registration_options(
        rp_id=host_of(request),
        rp_name=shop_name,
        user_id=salted_hmac("shop.passkeys", str(person.pk), algorithm="sha256").digest(),
        user_name=person.username,
        user_display_name=str(person),
        exclude_credentials=[_described(one) for one in theirs],
        authenticator_selection=structs.AuthenticatorSelectionCriteria(
            resident_key=structs.ResidentKeyRequirement.DISCOURAGED,
            user_verification=structs.UserVerificationRequirement.PREFERRED,
        ),
    )
    return _begin(request, "make", options)


def options_to_show(request: HttpRequest, person: StaffMember) -> dict[str, Any]:
    """What a browser needs to show one of a person's passkeys."""
    theirs = Passkey.objects.filter(person=person, host=host_of(request))
    options = webauthn.generate_authentication_options(
        rp_id=host_of(request),
        allow_credentials=[_described(one) for one in theirs],
        user_verification=structs.UserVerificationRequirement.PREFERRED,
    )
    return _begin(request, "show", options)


def _described(one: Passkey) -> Any:
    return structs.PublicKeyCredentialDescriptor(id=webauthn.base64url_to_bytes(one.credential))


def _challenge(request: HttpRequest, purpose: str) -> str:
    """The challenge of this session, taken away; raises Refused for an old one or none."""
    kept = request.session.pop(CHALLENGE, None)
    if not kept or kept["purpose"] != purpose:
        raise Refused("no challenge")
    if timezone.now() - datetime.fromisoformat(kept["at"]) > LASTS:
        raise Refused("too late")
    return str(kept["value"])


def _read(answer: str) -> dict[str, Any]:
    try:
        said = json.loads(answer) if len(answer) <= _MOST_OF_AN_ANSWER else None
    except (ValueError, RecursionError):
        said = None
    if not isinstance(said, dict) or not _CREDENTIAL.match(str(said.get("id"))):
        raise Refused("no answer of a browser")
    return said


def _expected(request: HttpRequest, challenge: str) -> dict[str, Any]:
    return {
        "expected_challenge": webauthn.base64url_to_bytes(challenge),
        "expected_rp_id": host_of(request),
        "expected_origin": f"{request.scheme}://{request.get_host()}",
    }


def make(request: HttpRequest, person: StaffMember, name: str, answer: str) -> Passkey:
    """Keep the passkey that a browser has made. Raises Refused."""
    expected, said = _expected(request, _challenge(request, "make")), _read(answer)
    try:
        made = webauthn.verify_registration_response(credential=said, **expected)
    except Exception as error:  # whatever a stranger's bytes bring about in a parser
        raise Refused("not what was asked for") from error
    row = Passkey(
        person=person,
        name=name,
        host=host_of(request),
        credential=webauthn.helpers.bytes_to_base64url(made.credential_id),
        public_key=webauthn.helpers.bytes_to_base64url(made.credential_public_key),
        sign_count=made.sign_count,
    )
    try:
        with transaction.atomic():
            row.save()
    except IntegrityError as error:
        raise Refused("is in the book already") from error
    return row


def take(request: HttpRequest, person: StaffMember, answer: str) -> bool:
    """Whether a browser has shown a passkey of this person: of two answers to one challenge one is
    taken."""
    try:
        challenge, said = _challenge(request, "show"), _read(answer)
    except Refused:
        return False
    host = host_of(request)
    row = Passkey.objects.filter(person=person, host=host, credential=said["id"]).first()
    if row is None:
        return False
    try:
        shown = webauthn.verify_authentication_response(
            credential=said,
            credential_public_key=webauthn.base64url_to_bytes(row.public_key),
            credential_current_sign_count=row.sign_count,
            **_expected(request, challenge),
        )
    except Exception:  # whatever a stranger's bytes bring about in a parser
        return False
    mark = sha256(challenge.encode()).hexdigest()
    unused = Passkey.objects.filter(pk=row.pk, sign_count=row.sign_count)
    taken = unused.exclude(last_challenge=mark).update(
        last_challenge=mark, sign_count=shown.new_sign_count, used_at=timezone.now()
    )
    return bool(taken)

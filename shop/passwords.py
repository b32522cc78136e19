"""What a new password may not be; Django asks these validators wherever one is set.

At least 15 characters and no rule about which, after NIST SP 800-63B-4 (2025), 3.1.1.2: so long is
a password that stands alone, as it does where no second factor is asked for. Nor one of those that
are known from leaks, nor one made of them: a list of whole passwords holds few of that length,
since leaked ones are short and long ones are short ones strung together.
"""

import re
from typing import Any, Final

from django.contrib.auth.password_validation import UserAttributeSimilarityValidator
from django.core.exceptions import ValidationError
from django.utils.translation import gettext

from shop.lazy import Lazy
from shop.models import Shop, StaffMember

estimate = Lazy("zxcvbn")

SHORTEST: Final = 15
"""As `AUTH_PASSWORD_VALIDATORS` has it (tested)."""

FEWEST_GUESSES: Final = 8
"""As a power of ten. Fewer are within reach of somebody who tries without being held up: D. L.
Wheeler, "zxcvbn: Low-Budget Password Strength Estimation", USENIX Security 2016, and the score of
3 of the program that it describes."""

LOOKED_AT: Final = 64
"""So many characters are looked at; what stands behind them makes no password easier."""

OF_OTHERS: Final = 8
"""So many characters must be left when the person's and the shop's own words are taken out."""

SHORTEST_WORD: Final = 3

_PROGRAM: Final = "Loombook"


def own_words(person: StaffMember | None) -> set[str]:
    """The words of the person's and the shop's names, and the program's: small letters."""
    texts = [_PROGRAM, Shop.objects.current().name]
    if person is not None:
        texts += [person.username, person.name, person.email]
    words = re.findall(r"\w+", " ".join(texts).casefold())
    return {word for word in words if len(word) >= SHORTEST_WORD}


class OwnWords(UserAttributeSimilarityValidator):
    """Not close to a name of the person's, nor names of person, shop and program with a little
    beside them."""

    def __init__(self) -> None:
        super().__init__(user_attributes=("username", "name", "email"))

    def validate(self, password: str, user: Any = None) -> None:
        """Raises ValidationError."""
        super().validate(password, user)
        person = user if isinstance(user, StaffMember) else None
        left = password.casefold()
        for word in sorted(own_words(person), key=len, reverse=True):
            left = left.replace(word, "")
        if left != password.casefold() and len(left) < OF_OTHERS:
            raise ValidationError(
                gettext(
                    "This is little more than your name, the shop’s or this program’s. "
                    "Take words that have to do with none of them."
                ),
                code="password_of_own_words",
            )

    def get_error_message(self) -> str:
        """Of all names alike: it matters little to which."""
        return gettext("Too close to your name, sign-in name or email. Take other words.")

    def get_help_text(self) -> str:
        """For the page on which one is set."""
        return gettext("Not your name or the shop’s.")


class EasyToGuess:
    """Not one of the passwords, words, runs and dates that are tried first, nor some of them put
    together; no connection is needed."""

    def validate(self, password: str, user: Any = None) -> None:
        """Raises ValidationError."""
        text = password[:LOOKED_AT]
        person = user if isinstance(user, StaffMember) else None
        said = estimate.zxcvbn(text, user_inputs=sorted(own_words(person)))
        if said["guesses_log10"] < FEWEST_GUESSES:
            raise ValidationError(
                gettext(
                    "This is among the passwords that are tried first: known from leaks, a word "
                    "over again, a run of keys or a date. Take four words that have nothing to do "
                    "with each other."
                ),
                code="password_easy_to_guess",
            )

    def get_help_text(self) -> str:
        """For the page on which one is set."""
        return gettext("Nothing that many others have: four odd words are good.")

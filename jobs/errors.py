"""What a service refuses, in words for the person who asked."""

from hashlib import blake2b


class Refused(Exception):
    """The change was not made; `reasons` says why and what to do, one sentence each."""

    def __init__(self, *reasons: str) -> None:
        super().__init__(" ".join(reasons))
        self.reasons = list(reasons)


class ChangedMeanwhile(Refused):
    """Somebody else changed the same thing first."""


class Busy(Refused):
    """Nothing is wrong with it, but it cannot be taken now: the same may be sent again shortly."""


class AskFirst(Refused):
    """Nothing forbids it, but somebody must say yes to the reasons: send `token` with it again.

    The token is of these very reasons, so that a yes to one thing is never a yes to another.
    """

    @property
    def token(self) -> str:
        return blake2b("\n".join(self.reasons).encode(), digest_size=8).hexdigest()

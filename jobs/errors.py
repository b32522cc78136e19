"""What a service refuses, in words for the person who asked."""


class Refused(Exception):
    """The change was not made; `reasons` says why and what to do, one sentence each."""

    def __init__(self, *reasons: str) -> None:
        super().__init__(" ".join(reasons))
        self.reasons = list(reasons)


class ChangedMeanwhile(Refused):
    """Somebody else changed the same thing first."""


class Busy(Refused):
    """Nothing is wrong with it, but it cannot be taken now: the same may be sent again shortly."""

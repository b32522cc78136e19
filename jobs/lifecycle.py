"""The table of moves: which stage follows which, who may make the move, what must be true first.

No ORM and no HTTP here. `needs` names preconditions that `jobs.services.moves` evaluates on the
locked job; `reason` says that the move must be given one.
"""

from typing import Final, NamedTuple

from django.db.models import TextChoices

from shop.roles import Role


class Stage(TextChoices):
    BOOKED = "booked", "Booked"
    CHECKED_IN = "checked_in", "Checked in"
    IN_BAY = "in_bay", "In bay"
    READY_FOR_REVIEW = "ready_for_review", "Ready for review"
    SIGNED_OFF = "signed_off", "Signed off"
    COLLECTED = "collected", "Collected"
    ON_HOLD = "on_hold", "On hold"
    CANCELLED = "cancelled", "Cancelled"


PATH: Final = (
    Stage.BOOKED,
    Stage.CHECKED_IN,
    Stage.IN_BAY,
    Stage.READY_FOR_REVIEW,
    Stage.SIGNED_OFF,
    Stage.COLLECTED,
)
LIVE: Final = frozenset(
    {
        Stage.BOOKED,
        Stage.CHECKED_IN,
        Stage.IN_BAY,
        Stage.READY_FOR_REVIEW,
        Stage.SIGNED_OFF,
        Stage.ON_HOLD,
    }
)
"""Stages on the board: everything still in the shop's hands."""

HOLDS_A_BAY: Final = frozenset(
    {Stage.BOOKED, Stage.CHECKED_IN, Stage.IN_BAY, Stage.READY_FOR_REVIEW, Stage.ON_HOLD}
)
"""Stages in which the booked slot keeps others out of the bay."""

SHEET_OPEN: Final = frozenset({Stage.CHECKED_IN, Stage.IN_BAY})
"""Stages in which the bay sheet takes entries."""


class Move(NamedTuple):
    """One allowed change of stage. `to` is None where the job returns to where it was held."""

    name: str
    label: str
    begins: frozenset[Stage]
    to: Stage | None
    roles: frozenset[Role]
    needs: tuple[str, ...] = ()
    reason: bool = False

    @property
    def takes_a_bay(self) -> bool:
        """The job may come to hold a slot it did not hold, or into the bay itself."""
        return self.to is None or self.to in {Stage.BOOKED, Stage.IN_BAY}


def _move(
    name: str,
    label: str,
    begins: tuple[Stage, ...],
    to: Stage | None,
    roles: tuple[Role, ...],
    needs: tuple[str, ...] = (),
    reason: bool = False,
) -> Move:
    return Move(name, label, frozenset(begins), to, frozenset(roles), needs, reason)


_DESK = (Role.FRONT_DESK, Role.MANAGER)
_BENCH = (Role.TECHNICIAN, Role.MANAGER)

MOVES: Final[dict[str, Move]] = {
    move.name: move
    for move in (
        _move(
            "check_in",
            "Check in",
            (Stage.BOOKED,),
            Stage.CHECKED_IN,
            _DESK,
            ("check_in_signed",),
        ),
        _move(
            "start_work",
            "Start work",
            (Stage.CHECKED_IN,),
            Stage.IN_BAY,
            _BENCH,
            ("bay_free_now",),
        ),
        _move(
            "finish",
            "Hand to review",
            (Stage.IN_BAY,),
            Stage.READY_FOR_REVIEW,
            _BENCH,
            ("fit_proved", "functions_tried", "readings_taken", "channels_entered", "steps_done"),
        ),
        _move(
            "recall",
            "Take back from review",
            (Stage.READY_FOR_REVIEW,),
            Stage.IN_BAY,
            _BENCH,
            ("bay_free_now",),
        ),
        _move(
            "send_back",
            "Send back",
            (Stage.READY_FOR_REVIEW,),
            Stage.IN_BAY,
            (Role.MANAGER,),
            ("bay_free_now",),
            reason=True,
        ),
        _move(
            "sign_off",
            "Sign off",
            (Stage.READY_FOR_REVIEW,),
            Stage.SIGNED_OFF,
            (Role.MANAGER,),
            ("no_stop", "cautions_reasoned", "sheet_frozen"),
        ),
        _move(
            "collect",
            "Hand over to customer",
            (Stage.SIGNED_OFF,),
            Stage.COLLECTED,
            _DESK,
            ("customer_signed",),
        ),
        _move(
            "correct",
            "Open a correction",
            (Stage.SIGNED_OFF, Stage.COLLECTED),
            Stage.IN_BAY,
            (Role.MANAGER,),
            reason=True,
        ),
        _move(
            "hold",
            "Put on hold",
            (Stage.BOOKED, Stage.CHECKED_IN, Stage.IN_BAY, Stage.READY_FOR_REVIEW),
            Stage.ON_HOLD,
            tuple(Role),
            reason=True,
        ),
        _move("resume", "Resume", (Stage.ON_HOLD,), None, tuple(Role), ("bay_free_again",)),
        _move(
            "cancel",
            "Cancel job",
            (Stage.BOOKED, Stage.CHECKED_IN, Stage.ON_HOLD),
            Stage.CANCELLED,
            _DESK,
            reason=True,
        ),
        _move(
            "reinstate",
            "Reinstate",
            (Stage.CANCELLED,),
            Stage.BOOKED,
            _DESK,
            ("slot_free",),
        ),
    )
}


def moves_from(stage: str, roles: frozenset[Role]) -> list[Move]:
    """The moves a person with these roles may try from this stage, in table order."""
    return [
        move for move in MOVES.values() if stage in move.begins and not roles.isdisjoint(move.roles)
    ]

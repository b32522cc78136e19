"""The table of moves: which stage follows which, who may make the move, what must be true first.

No ORM and no HTTP here. `needs` names preconditions that `jobs.services.moves` evaluates on the
locked job; `reason` says that the move must be given one.

Correcting a signed sheet is about the record, not about the car: the stage stays, and where the
correction stands is kept beside it.
"""

from collections.abc import Iterable
from typing import Final, NamedTuple

from django.db.models import TextChoices

from shop.roles import BENCH, DESK, Role


class Stage(TextChoices):
    BOOKED = "booked", "Booked"
    CHECKED_IN = "checked_in", "Checked in"
    IN_BAY = "in_bay", "In bay"
    READY_FOR_REVIEW = "ready_for_review", "Ready for review"
    SIGNED_OFF = "signed_off", "Signed off"
    COLLECTED = "collected", "Collected"
    ON_HOLD = "on_hold", "On hold"
    CANCELLED = "cancelled", "Cancelled"


class Correction(TextChoices):
    """Where the correction of a signed sheet stands."""

    NONE = "", "No correction"
    OPEN = "open", "Correction open"
    IN_REVIEW = "in_review", "Correction in review"


SIGNED: Final = frozenset({Stage.SIGNED_OFF, Stage.COLLECTED})
"""Stages in which a sheet is signed: only these can be under correction."""

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
"""Stages in which the bay sheet takes entries, beside those with a correction open."""

BEFORE_REVIEW: Final = SHEET_OPEN | {Stage.BOOKED, Stage.ON_HOLD}
"""Stages in which the kind of work, the parts and the photos may still change."""

CHECK_IN_OPEN: Final = frozenset({Stage.BOOKED, Stage.ON_HOLD})
"""Stages in which the condition on arrival is written down."""

PLAN_OPEN: Final = SHEET_OPEN | {Stage.BOOKED}
"""Stages in which a job takes a saved setup over."""

BOOKING_OPEN: Final = HOLDS_A_BAY | {Stage.CANCELLED}
"""Stages in which slot, bay and what was agreed may still change."""

REASON_OPEN: Final = SHEET_OPEN | {Stage.READY_FOR_REVIEW}
"""Stages in which a caution may be given a reason, beside those with a correction open."""


def sheet_is_open(stage: str, correction: str) -> bool:
    """The bay sheet takes entries."""
    return stage in SHEET_OPEN or correction == Correction.OPEN


class Move(NamedTuple):
    """One allowed change of stage, or of the correction beside it.

    `to` is None where the job returns to where it was held, or where its stage stays. `during`
    says where a correction stands when the move can be tried, `leaves` where it stands then.
    """

    name: str
    label: str
    begins: frozenset[Stage]
    to: Stage | None
    roles: frozenset[Role]
    needs: tuple[str, ...] = ()
    reason: bool = False
    during: frozenset[Correction] = frozenset({Correction.NONE})
    leaves: Correction = Correction.NONE
    waits: Stage | None = None
    """Where the job goes instead while another car is in its bay."""

    @property
    def corrects(self) -> bool:
        """The move is about a correction and leaves the stage as it is."""
        return self.leaves != Correction.NONE or Correction.NONE not in self.during

    @property
    def takes_a_bay(self) -> bool:
        """The job may come to hold a slot it did not hold, or into the bay itself."""
        into = self.to is None or self.to in {Stage.BOOKED, Stage.IN_BAY}
        return into and not self.corrects


def _move(
    name: str,
    label: str,
    begins: tuple[Stage, ...],
    to: Stage | None,
    roles: Iterable[Role],
    needs: tuple[str, ...] = (),
    reason: bool = False,
    waits: Stage | None = None,
) -> Move:
    return Move(name, label, frozenset(begins), to, frozenset(roles), needs, reason, waits=waits)


def _correction(
    name: str,
    label: str,
    during: tuple[Correction, ...],
    leaves: Correction,
    roles: Iterable[Role],
    needs: tuple[str, ...] = (),
    reason: bool = False,
) -> Move:
    return Move(
        name, label, SIGNED, None, frozenset(roles), needs, reason, frozenset(during), leaves
    )


_COMPLETE = ("fit_proved", "functions_tried", "readings_taken", "channels_entered", "steps_done")

MOVES: Final[dict[str, Move]] = {
    move.name: move
    for move in (
        _move(
            "check_in",
            "Check in",
            (Stage.BOOKED,),
            Stage.CHECKED_IN,
            DESK,
            ("check_in_signed",),
        ),
        _move(
            "start_work",
            "Start work",
            (Stage.CHECKED_IN,),
            Stage.IN_BAY,
            BENCH,
            ("bay_free_now",),
        ),
        _move(
            "finish",
            "Hand to review",
            (Stage.IN_BAY,),
            Stage.READY_FOR_REVIEW,
            BENCH,
            _COMPLETE,
        ),
        _move(
            "recall",
            "Take back from review",
            (Stage.READY_FOR_REVIEW,),
            Stage.IN_BAY,
            BENCH,
            waits=Stage.CHECKED_IN,
        ),
        _move(
            "send_back",
            "Send back",
            (Stage.READY_FOR_REVIEW,),
            Stage.IN_BAY,
            (Role.MANAGER,),
            reason=True,
            waits=Stage.CHECKED_IN,
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
            DESK,
            ("customer_signed",),
        ),
        _correction(
            "correct",
            "Open a correction",
            (Correction.NONE,),
            Correction.OPEN,
            (Role.MANAGER,),
            reason=True,
        ),
        _correction(
            "hand_correction",
            "Hand correction to review",
            (Correction.OPEN,),
            Correction.IN_REVIEW,
            BENCH,
            _COMPLETE,
        ),
        _correction(
            "recall_correction",
            "Take correction back from review",
            (Correction.IN_REVIEW,),
            Correction.OPEN,
            BENCH,
        ),
        _correction(
            "send_back_correction",
            "Send correction back",
            (Correction.IN_REVIEW,),
            Correction.OPEN,
            (Role.MANAGER,),
            reason=True,
        ),
        _correction(
            "sign_correction",
            "Sign the correction",
            (Correction.IN_REVIEW,),
            Correction.NONE,
            (Role.MANAGER,),
            ("something_corrected", "no_stop", "cautions_reasoned", "sheet_frozen"),
        ),
        _correction(
            "abandon_correction",
            "Abandon the correction",
            (Correction.OPEN, Correction.IN_REVIEW),
            Correction.NONE,
            (Role.MANAGER,),
            ("nothing_corrected",),
        ),
        _move(
            "hold",
            "Put on hold",
            (Stage.BOOKED, Stage.CHECKED_IN, Stage.IN_BAY, Stage.READY_FOR_REVIEW),
            Stage.ON_HOLD,
            Role,
            reason=True,
        ),
        _move("resume", "Resume", (Stage.ON_HOLD,), None, Role, ("bay_free_again",)),
        _move(
            "cancel",
            "Cancel job",
            (Stage.BOOKED, Stage.CHECKED_IN, Stage.ON_HOLD),
            Stage.CANCELLED,
            DESK,
            reason=True,
        ),
        _move(
            "reinstate",
            "Reinstate",
            (Stage.CANCELLED,),
            Stage.BOOKED,
            DESK,
            ("slot_free",),
        ),
    )
}


def begins_at(move: Move, stage: str, held_from: str) -> bool:
    """The move can be tried from this stage.

    A car back from review that waits for its bay has been worked on: its record may be handed to
    review again without the bay.
    """
    waits = stage == Stage.CHECKED_IN and held_from == Stage.IN_BAY
    return stage in move.begins or (waits and move.name == "finish")


def moves_from(
    stage: str, correction: str, roles: frozenset[Role], held_from: str = ""
) -> list[Move]:
    """The moves a person with these roles may try from here, in table order."""
    return [
        move
        for move in MOVES.values()
        if begins_at(move, stage, held_from)
        and correction in move.during
        and not roles.isdisjoint(move.roles)
    ]

"""The twenty demo jobs: who, which car, which bay and when, and how far each has come.

Days count from the day of loading, hours are the shop's. A bay is never given twice.
"""

from dataclasses import dataclass
from typing import Final

from deploy.demo.four_channels import (
    COMEBACK,
    FIVE_FAULTS,
    FOUR_CHANNELS,
    LOST_CHIME,
    REVERSED_REAR,
    TWO_DOORS,
)
from deploy.demo.six_channels import SIX_CHANNELS
from deploy.demo.spec import Work
from jobs.lifecycle import Stage


@dataclass(frozen=True)
class DemoJob:
    """One job. `day`, `hour` and `hours` are the bay slot; `promised` is (day, hour)."""

    key: str
    vehicle: str
    wants: str
    bay: str
    day: int
    hour: int
    hours: int
    promised: tuple[int, int]
    stage: str = Stage.BOOKED
    technician: str | None = None
    work: Work | None = None
    finished: bool = True
    """The bay sheet is filled in to the end (only for jobs that have been in the bay)."""
    parts: tuple[tuple[str, int], ...] = ()
    booked_days_before: int = 6
    reason: str = ""
    comeback_of: str | None = None
    marks: tuple[tuple[str, float, float, str], ...] = ()
    report: str = ""
    energy_percent: int = 60
    driven_km: int = 0
    """Since the car was here before."""
    setup_name: str = ""
    """Save the signed sheet as a setup of this name."""
    setup_note: str = ""
    setup_approved: bool = False


JOBS: Final = (
    DemoJob(
        "first_six",
        "tamsel_red",
        "Six channels and a subwoofer in the boot. Keep every chime, keep the head unit.",
        "Bay 1",
        -21,
        8,
        9,
        (-20, 17),
        Stage.COLLECTED,
        "idris",
        SIX_CHANNELS,
        marks=(("scratch", 0.2, 0.64, "12 cm long"), ("chip", 0.5, 0.12, "At its front edge")),
        report="Wants clear voices; children in the back, so not loud there.",
        setup_name="Six channels, two-coil subwoofer in the boot",
        setup_note="Take the seat out before the sill trim. Grey clips break: order ten.",
        setup_approved=True,
    ),
    DemoJob(
        "saloon_four",
        "wrenlow_grey",
        "Better speakers all round, nothing to be seen.",
        "Bay 2",
        -16,
        8,
        5,
        (-16, 17),
        Stage.COLLECTED,
        "wanda",
        FOUR_CHANNELS,
        marks=(("dent", 0.8, 0.45, "Under the handle"),),
        setup_name="Quiet saloon, nothing to be seen",
        setup_note="Try on a second car before it is approved.",
    ),
    DemoJob(
        "old_saloon",
        "corrimer_19",
        "Rear speakers crackle: replace all four.",
        "Bay 2",
        -10,
        8,
        5,
        (-10, 17),
        Stage.COLLECTED,
        "wanda",
        REVERSED_REAR,
        marks=(("stain", 0.6, 0.6, "Headlining over the rear seat"),),
        report="Crackle at low notes since the winter.",
        energy_percent=35,
    ),
    DemoJob(
        "van_fleet",
        "van_7",
        "Hands-free must be loud enough on the motorway. Door speakers and a small amplifier.",
        "Bay 1",
        -2,
        8,
        5,
        (0, 16),
        Stage.SIGNED_OFF,
        "idris",
        TWO_DOORS,
        marks=(("scratch", 0.5, 0.86, "Load door, left half"), ("scratch", 0.85, 0.2, "")),
        energy_percent=80,
    ),
    DemoJob(
        "black_saloon_done",
        "wrenlow_black",
        "Four speakers like my brother's grey one.",
        "Bay 2",
        -2,
        8,
        5,
        (-1, 17),
        Stage.SIGNED_OFF,
        "wanda",
        FOUR_CHANNELS,
    ),
    DemoJob(
        "full_case",
        "tamsel_blue",
        "Six channels and a subwoofer, chimes and prompts as they were.",
        "Bay 1",
        -1,
        8,
        9,
        (0, 17),
        Stage.READY_FOR_REVIEW,
        "idris",
        SIX_CHANNELS,
        marks=(("chip", 0.47, 0.14, "From a stone"),),
        report="Prompts sound dull. Likes choir music.",
    ),
    DemoJob(
        "lost_chime",
        "dorvane_25",
        "Four better speakers. No cutting of wires, it is leased.",
        "Bay 2",
        -1,
        8,
        6,
        (-1, 17),
        Stage.READY_FOR_REVIEW,
        "wanda",
        LOST_CHIME,
        report="Battery light came on once last month.",
        energy_percent=90,
    ),
    DemoJob(
        "five_faults",
        "oxbray",
        "Front and rear doors, a centre tweeter and a slim subwoofer behind the seat.",
        "Bay 1",
        0,
        8,
        9,
        (1, 12),
        Stage.IN_BAY,
        "piers",
        FIVE_FAULTS,
        finished=False,
        marks=(("scratch", 0.6, 0.88, "Tailgate"), ("dent", 0.08, 0.5, "Low, by the sill")),
    ),
    DemoJob(
        "comeback",
        "wrenlow_grey",
        "Whine from the rear left since the first visit.",
        "Bay 2",
        -1,
        15,
        2,
        (-1, 18),
        Stage.IN_BAY,
        "wanda",
        COMEBACK,
        finished=False,
        comeback_of="saloon_four",
        booked_days_before=2,
        driven_km=340,
        report="Whine rises with the engine, worse with the lights on.",
    ),
    DemoJob(
        "electric_in",
        "brimmock",
        "Keep the pedestrian sound and the reversing sound. Subwoofer only.",
        "Bay 2",
        1,
        8,
        8,
        (1, 18),
        Stage.CHECKED_IN,
        parts=(("amp1", 1), ("module", 1), ("sub_single", 1), ("cable_25", 5), ("fuse_100", 1)),
        marks=(("scratch", 0.3, 0.9, "Left corner"),),
        energy_percent=72,
    ),
    DemoJob(
        "import_in",
        "corrimer_import",
        "Radio shows another country's stations; wants a processor and new front speakers.",
        "Bay 2",
        0,
        8,
        4,
        (0, 14),
        Stage.CHECKED_IN,
        "wanda",
        parts=(("processor", 1), ("amp4", 1), ("midbass", 2), ("tweeter", 2)),
        report="Left front is quieter than the right.",
        energy_percent=50,
    ),
    DemoJob(
        "hybrid_in",
        "dorvane_26",
        "Same four speakers as the silver one. Asks about the warranty.",
        "Bay 2",
        2,
        8,
        6,
        (2, 17),
        Stage.CHECKED_IN,
        "wanda",
        parts=(("amp4", 1), ("module_small", 1), ("coaxial", 4)),
        energy_percent=64,
    ),
    DemoJob(
        "setup_candidate",
        "tamsel_white",
        "Six channels like the red one she heard at the ferry steps.",
        "Bay 1",
        1,
        8,
        9,
        (1, 18),
        Stage.BOOKED,
        "idris",
        parts=SIX_CHANNELS.parts,
    ),
    DemoJob(
        "late_arrival",
        "corrimer_19",
        "Rattle from the parcel shelf, and a quote for a subwoofer.",
        "Bay 2",
        0,
        12,
        1,
        (0, 13),
        booked_days_before=3,
    ),
    DemoJob(
        "van_next",
        "van_7",
        "Add a reversing sounder and move the aerial.",
        "Bay 1",
        3,
        8,
        3,
        (3, 13),
        Stage.BOOKED,
        "piers",
        booked_days_before=4,
    ),
    DemoJob(
        "hybrid_sub",
        "dorvane_25",
        "Subwoofer under the boot floor, must lift out for the charger cable.",
        "Bay 1",
        4,
        8,
        6,
        (4, 17),
        parts=(("amp1", 1), ("sub_single", 1), ("cable_25", 4)),
        booked_days_before=5,
    ),
    DemoJob(
        "parts_late",
        "wrenlow_black",
        "Subwoofer to go with the four speakers.",
        "Bay 2",
        3,
        8,
        5,
        (3, 17),
        Stage.ON_HOLD,
        reason="The subwoofer has not arrived; the supplier says Thursday.",
        parts=(("amp1_large", 1), ("sub_dual_low", 1)),
        booked_days_before=7,
    ),
    DemoJob(
        "customer_decides",
        "oxbray",
        "Dash cam and rear camera, cables hidden.",
        "Bay 2",
        4,
        8,
        4,
        (4, 17),
        Stage.ON_HOLD,
        reason="Customer wants to see the mounting place before we drill.",
        booked_days_before=5,
    ),
    DemoJob(
        "cancelled_sold",
        "brimmock",
        "Full system with a processor.",
        "Bay 1",
        5,
        8,
        9,
        (6, 12),
        Stage.CANCELLED,
        reason="Customer keeps the factory speakers and takes the subwoofer only.",
        booked_days_before=12,
    ),
    DemoJob(
        "cancelled_twice",
        "tamsel_blue",
        "Six channels.",
        "Bay 2",
        5,
        8,
        9,
        (5, 18),
        Stage.CANCELLED,
        reason="Booked twice by mistake: the other booking stands.",
        booked_days_before=12,
    ),
)

ESTIMATED: Final = "setup_candidate"
"""The booked job that has an estimate waiting for its approval."""

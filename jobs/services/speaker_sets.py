"""Sets of speakers placed at once: a pair, a front pair with tweeters, one subwoofer.

What is offered follows from what is left to place: the product brings its figures, the picture the
empty places, the channel plan the channels that feed nothing yet. What was offered is what is
placed: a set names its places, parts and channels, and is refused where one is taken meanwhile.
"""

from collections.abc import Iterable, Iterator
from typing import Any, Final, NamedTuple

from django.db import transaction
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import Channel, Job, JobEvent, JobPart
from jobs.plan.power import POSITIONS, counterpart
from jobs.services.channels import PartLeft, parts_left, place_speaker, undo_add
from jobs.services.events import done_before, log
from jobs.services.saving import open_job
from shop.kept_words import told
from shop.models import StaffMember
from shop.models.products import ProductKind, SpeakerKind
from shop.wording import inner

MOST_IN_A_SET: Final = 4

_PLACES: Final[dict[str, tuple[str, ...]]] = {
    "tweeter": ("front_pillar", "front_dash", "front_door_upper", "rear_door_upper"),
    "subwoofer": ("boot", "spare_wheel", "boot_side_left", "boot_side_right", "rear_shelf_centre"),
    "": ("front_door", "rear_door", "rear_side", "rear_shelf", "front_dash", "front_seat"),
}
"""Where speakers of a kind mostly sit, the likeliest first: pairs by their stem, subwoofers by
their place. Common practice, no source."""

_WOOFERS: Final = frozenset({SpeakerKind.MIDBASS, SpeakerKind.WOOFER, SpeakerKind.MIDRANGE})
"""What plays below a tweeter in a set of its own."""


class Member(NamedTuple):
    """One speaker of a set: where it sits, which part it is, what feeds it.

    Without a part, `facts` describe a factory speaker that stays, or one like another.
    """

    position: str
    part: JobPart | None
    channel: Channel | None
    coil_joining: str = "single"
    facts: dict[str, Any] | None = None


class SpeakerSet(NamedTuple):
    """Speakers that may be placed by one tap, and what the set is called."""

    name: str
    members: tuple[Member, ...]


class _Ground(NamedTuple):
    """What there is to place on: empty positions, and channels that feed nothing yet, those of
    bridged pairs apart."""

    empty: frozenset[str]
    free: tuple[Channel, ...]
    bridged: tuple[Channel, ...]

    def channels(self, count: int, first: Channel | None) -> tuple[Channel | None, ...]:
        """So many free channels side by side on one device, a pair beginning at an odd one;
        from `first` on, where it is given and free."""
        if first is not None:
            after = [one for one in self.free if _beside(first, one)]
            if len(after) >= count:
                return tuple(after[:count])
        for start in self.free:
            run = [one for one in self.free if _beside(start, one)][:count]
            last = start.number + count - 1
            if len(run) == count and run[-1].number == last and (count == 1 or start.number % 2):
                return tuple(run)
        return (None,) * count


def _beside(first: Channel, other: Channel) -> bool:
    return other.part_id == first.part_id and other.number >= first.number


def _ground(job: Job) -> _Ground:
    channels = list(
        job.channels.filter(kind=Channel.Kind.AMPLIFIER)
        .select_related("part__product")
        .prefetch_related("speakers")
        .order_by("part_id", "number")
    )
    taken = set(job.speakers.values_list("position", flat=True))
    unused = [one for one in channels if not one.speakers.all()]
    pairs = {(one.part_id, one.bridged_with) for one in channels if one.bridged_with}
    return _Ground(
        frozenset(set(POSITIONS) - taken),
        tuple(
            one for one in unused if not one.bridged_with and (one.part_id, one.number) not in pairs
        ),
        tuple(one for one in unused if one.bridged_with and one.bridged_with > one.number),
    )


def _kind(part: JobPart) -> str:
    product = part.product
    if product.kind == ProductKind.SUBWOOFER:
        return SpeakerKind.SUBWOOFER
    return product.speaker_kind


def _coils(part: JobPart) -> tuple[str, ...]:
    return ("parallel", "series") if part.product.coils > 1 else ("single",)


def _sides(stem: str) -> tuple[str, str]:
    return f"{stem}_left", f"{stem}_right"


def sets_to_place(job: Job, first: Channel | None = None) -> list[SpeakerSet]:
    """The sets that the parts left, the empty places and the free channels allow, likeliest first.

    `first` is the channel a set is to begin on, where it can.
    """
    ground = _ground(job)
    left = [one for one in parts_left(job) if one.left]
    return [*_with_tweeters(left, ground, first), *_pairs(left, ground, first), *_one(left, ground)]


def _stems(kind: str, ground: _Ground) -> list[str]:
    stems = _PLACES.get(kind, _PLACES[""])
    return [stem for stem in stems if ground.empty.issuperset(_sides(stem))]


def _with_tweeters(
    left: list[PartLeft], ground: _Ground, first: Channel | None
) -> Iterator[SpeakerSet]:
    """A tweeter and a woofer on each side, each on a channel of its own; where there are too few,
    both of a side on one, behind the network the set has."""
    tweeters = [one.part for one in left if one.left > 1 and _kind(one.part) == "tweeter"]
    woofers = [one.part for one in left if one.left > 1 and _kind(one.part) in _WOOFERS]
    highs, doors = _stems("tweeter", ground), _sides("front_door")
    if not highs or not ground.empty.issuperset(doors):
        return
    places = (*_sides(highs[0]), *doors)
    for tweeter in tweeters:
        for woofer in woofers:
            if woofer.product.coils > 1:
                continue
            parts = (tweeter, tweeter, woofer, woofer)
            own = ground.channels(4, first)
            if own[0] is not None:
                yield SpeakerSet(
                    gettext("Front pair with tweeters, a channel for each"),
                    tuple(map(Member, places, parts, own)),
                )
            shared = ground.channels(2, first)
            yield SpeakerSet(
                gettext("Front pair with tweeters, a side on one channel behind its passive parts"),
                tuple(map(Member, places, parts, (*shared, *shared))),
            )


def _pairs(left: list[PartLeft], ground: _Ground, first: Channel | None) -> Iterator[SpeakerSet]:
    for one in left:
        kind = _kind(one.part)
        if one.left < 2 or kind == SpeakerKind.SUBWOOFER:
            continue
        channels = ground.channels(2, first)
        for stem in _stems(kind, ground):
            place = told(POSITIONS[f"{stem}_left"].label.removesuffix(" left"))
            for coils in _coils(one.part):
                yield SpeakerSet(
                    gettext("%(place)s, left and right") % {"place": place},
                    tuple(
                        Member(side, one.part, channel, coils)
                        for side, channel in zip(_sides(stem), channels, strict=True)
                    ),
                )


def _one(left: list[PartLeft], ground: _Ground) -> Iterator[SpeakerSet]:
    """One subwoofer, on a bridged pair, or on the last channel of a device with an odd number of
    them, where one is free: common practice, no source."""
    odd = (one for one in ground.free if one.number == one.part.product.amplifier_channels)
    channel = next(iter((*ground.bridged, *(one for one in odd if one.number % 2))), None)
    for one in left:
        if _kind(one.part) != SpeakerKind.SUBWOOFER:
            continue
        for place in _PLACES["subwoofer"]:
            if place in ground.empty:
                for coils in _coils(one.part):
                    member = Member(place, one.part, channel, coils)
                    where = {"place": inner(told(POSITIONS[place].label))}
                    yield SpeakerSet(gettext("One subwoofer, %(place)s") % where, (member,))


def like_the_other_side(job: Job, position: str, member: Member) -> tuple[Member, ...]:
    """The member at `position` and its like on the other side, on channels side by side.

    The first stays on the channel it was given. Raises Refused where there is no other side, or a
    speaker sits there.
    """
    other = counterpart(position)
    if other is None:
        raise Refused(
            gettext("%(position)s has no other side: place this one alone.")
            % {"position": told(POSITIONS[position].label)}
        )
    ground = _ground(job)
    if other not in ground.empty:
        raise Refused(
            gettext("A speaker sits at %(other)s already: place this one alone.")
            % {"other": inner(told(POSITIONS[other].label))}
        )
    beside = None
    if member.channel is not None:
        after = [
            one
            for one in ground.free
            if one.part_id == member.channel.part_id and one.pk != member.channel.pk
        ]
        step = 1 if position.endswith("_left") else -1
        wanted = member.channel.number + step
        beside = next((one for one in after if one.number == wanted), None)
    return (member, member._replace(position=other, channel=beside))


def _refuse_taken(job: Job, members: Iterable[Member]) -> None:
    """Raise Refused where a part, a place or a channel of the set is taken by now."""
    left = {one.part.pk: one.left for one in parts_left(job)}
    ground = _ground(job)
    free = {one.pk for one in (*ground.free, *ground.bridged)}
    for one in members:
        where = POSITIONS[one.position].label
        if one.position not in ground.empty:
            raise Refused(
                gettext("%(where)s: a speaker sits there by now. Choose the set again.")
                % {"where": where}
            )
        if one.channel is not None and one.channel.pk not in free:
            raise Refused(
                gettext("%(channel)s feeds something else by now. Choose the set again.")
                % {"channel": one.channel}
            )
        if one.part is not None:
            left[one.part.pk] = left.get(one.part.pk, 0) - 1
            if left[one.part.pk] < 0:
                raise Refused(
                    gettext("Fewer of %(product)s are left by now. Choose the set again.")
                    % {"product": one.part.product}
                )


@transaction.atomic
def place_set(
    number: int, members: tuple[Member, ...], *, actor: StaffMember, key: str = ""
) -> JobEvent:
    """Put every speaker of a set in its place and on its channel: one event, which undoes them all.

    A repeat of a key changes nothing and gives the event of the first time. Raises Refused where
    anything of the set is taken, and then places nothing.
    """
    job = open_job(number)
    if done := done_before(key):
        return done
    if not 0 < len(members) <= MOST_IN_A_SET:
        raise Refused(gettext("Choose one of the sets shown."))
    _refuse_taken(job, members)
    placed = [
        place_speaker(
            job,
            actor,
            position=one.position,
            part=one.part,
            coil_joining=one.coil_joining,
            facts=one.facts,
            channel=one.channel,
        )
        for one in members
    ]
    return log(
        job,
        actor,
        "speaker.set_added",
        before={"events": [one.event.pk for one in placed]},
        after={
            "speakers": "; ".join(str(one.speaker) for one in placed),
            "channels": ", ".join(
                dict.fromkeys(str(one.channel) for one in members if one.channel is not None)
            ),
        },
        key=key,
    )


def undo_set(event: JobEvent, actor: StaffMember) -> None:
    """Take away the speakers of a set that are still there, the last one first."""
    added = event.job.events.filter(pk__in=event.before["events"]).select_related("job")
    for one in added.order_by("-pk"):
        undo_add(one, actor)

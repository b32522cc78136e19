"""Sets of speakers: offered by what is left, placed by one tap, taken back by one undo."""

import re

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse

from jobs.errors import Refused
from jobs.lifecycle import Stage
from jobs.models import Job, JobEvent, JobSpeaker
from jobs.services import channels
from jobs.services.speaker_sets import place_set, sets_to_place
from jobs.undo import undo
from shop.models import ProductKind
from shop.models.products import SpeakerKind
from tests.factories import make_job, make_product
from tests.jobs.test_undo_whole import differences, document
from tests.jobs.workshop import Workshop
from tests.racing import at_once


@pytest.fixture
def client(shop_floor: Workshop) -> Client:
    client = Client(headers={"HX-Request": "true"})
    client.force_login(shop_floor.technician)
    return client


def _offered(job: Job) -> dict[str, list[tuple[str, str]]]:
    """Each set by its name and first part: its places with the channels that feed them."""
    return {
        f"{one.name}: {one.members[0].part.product.name}": [
            (member.position, str(member.channel)) for member in one.members
        ]
        for one in sets_to_place(job)
        if one.members[0].part
    }


def _speakers(job: Job) -> set[tuple[str, str, float, str]]:
    return {
        (one.position, one.name, one.impedance_ohm, ", ".join(map(str, one.channels.all())))
        for one in job.speakers.all()
    }


@pytest.mark.django_db
def test_two_taps_place_a_pair_and_one_undo_takes_it_back(
    shop_floor: Workshop, client: Client
) -> None:
    job, twin = shop_floor.job(), shop_floor.job()
    url = reverse("bay_sets", args=[job.number])
    asked = client.get(url).content.decode()
    form = next(
        one for one in re.findall(r"<form.*?</form>", asked, re.S) if "Rear door, left" in one
    )
    post = {
        "member": re.findall(r'name="member" value="([^"]+)"', form),
        "key": "tablet_1",
        "seen": f"left={'0' * 8}",
    }
    before = document()
    first = client.post(url, post)
    again = client.post(url, post)
    assert first.status_code == again.status_code == 200
    assert _speakers(job) == {
        ("rear_door_left", "Tarnholt Dunnock 130", 4.0, "A1.1"),
        ("rear_door_right", "Tarnholt Dunnock 130", 4.0, "A1.2"),
    }
    assert not twin.speakers.exists()
    body = first.content.decode()
    assert 'id="at-A1-1"' in body and 'id="at-A1-2"' in body
    assert "2 × Tarnholt Finch 25" in body and "2 × Tarnholt Dunnock 130" not in body
    back = re.search(r'hx-post="([^"]*/undo/\d+/)"', body)
    assert back is not None
    shown = f"http://testserver{reverse('bay_channels', args=[job.number])}"
    for _ in range(2):
        undone = client.post(back[1], headers={"HX-Current-URL": shown})
        assert undone["HX-Refresh"] == "true"
        assert differences(before, document()) == []
    page = client.get(shown).content.decode()
    assert "Undone: Set of speakers placed" in page and "rear door left" in page


@pytest.mark.django_db
def test_what_is_offered_follows_parts_places_and_free_channels(shop_floor: Workshop) -> None:
    woofer = make_product(
        kind=ProductKind.SPEAKER,
        name="Snipe 165",
        speaker_kind=SpeakerKind.MIDBASS,
        impedance_ohm=4.0,
    )
    job = shop_floor.job(coaxial=woofer)
    offered = _offered(job)
    own = offered["Front pair with tweeters, a channel for each: Finch 25"]
    assert own == [
        ("front_pillar_left", "A1.1"),
        ("front_pillar_right", "A1.2"),
        ("front_door_left", "A1.3"),
        ("front_door_right", "A1.4"),
    ]
    assert offered["Front door, left and right: Snipe 165"][0] == ("front_door_left", "A1.1")
    facts = {"name": "Factory", "kind": "coaxial", "impedance_ohm": 4.0}
    channels.add_speaker(
        job.number,
        shop_floor.technician,
        position="front_door_right",
        facts=facts,
        channel_pk=job.channels.get(number=1).pk,
    )
    offered = _offered(job)
    assert not any(name.startswith(("Front pair", "Front door,")) for name in offered)
    assert offered["Rear door, left and right: Snipe 165"] == [
        ("rear_door_left", "A1.3"),
        ("rear_door_right", "A1.4"),
    ]
    job.parts.filter(product=woofer).update(quantity=1)
    assert not any("Snipe" in name for name in _offered(job))


@pytest.mark.django_db
def test_of_two_equal_amplifiers_a_pair_stays_on_one_and_a_subwoofer_gets_the_bridged(
    shop_floor: Workshop,
) -> None:
    amplifier = make_product(name="Twin Two", amplifier_channels=2, ratings=[(4, 50, False)])
    sub = make_product(
        kind=ProductKind.SUBWOOFER, name="Bittern 300", impedance_ohm=4.0, power_w=300, coils=2
    )
    job = make_job(
        Stage.IN_BAY,
        technician=shop_floor.technician,
        parts_wanted=[amplifier, amplifier, shop_floor.coaxial, sub],
    )
    job.parts.filter(product=shop_floor.coaxial).update(quantity=2)
    first, second = job.parts.filter(product=amplifier).order_by("pk")
    channels.add_speaker(
        job.number,
        shop_floor.technician,
        position="front_dash_centre",
        facts={"name": "Factory", "kind": "coaxial", "impedance_ohm": 4.0},
        channel_pk=first.channels.get(number=1).pk,
    )
    pair = _offered(job)["Rear door, left and right: Dunnock 130"]
    assert [channel for _, channel in pair] == ["A2.1", "A2.2"]
    second.channels.filter(number=1).update(bridged_with=2)
    pair = _offered(job)["Rear door, left and right: Dunnock 130"]
    assert [channel for _, channel in pair] == ["None", "None"]
    subs = [one for one in sets_to_place(job) if one.name == "One subwoofer, boot"]
    assert [(str(one.members[0].channel), one.members[0].coil_joining) for one in subs] == [
        ("A2.1", "parallel"),
        ("A2.1", "series"),
    ]
    place_set(job.number, subs[1].members, actor=shop_floor.technician)
    placed = job.speakers.get(position="boot")
    assert (placed.coils, placed.coil_joining, placed.power_w) == (2, "series", 300)
    channels.remove_speaker(job.number, placed.pk, actor=shop_floor.technician)
    assert first.channels.get(number=2).speakers.count() == 0


@pytest.mark.django_db
def test_a_set_whose_place_channel_or_part_is_taken_meanwhile_is_refused_whole(
    shop_floor: Workshop, client: Client
) -> None:
    job = shop_floor.job()
    by = shop_floor.technician
    members = next(
        one.members for one in sets_to_place(job) if one.name == "Rear door, left and right"
    )
    facts = {"name": "Factory", "kind": "coaxial", "impedance_ohm": 4.0}
    right = members[1].channel
    assert right is not None and members[0].part is not None
    for taken, why in (
        ({"position": "rear_door_right"}, "sits there by now"),
        ({"position": "roof_left", "channel_pk": right.pk}, "feeds something else by now"),
        ({"position": "roof_left", "part_pk": members[0].part.pk}, "Fewer of"),
    ):
        if "part_pk" not in taken:
            taken["facts"] = facts
        placed = channels.add_speaker(job.number, by, **taken)
        assert placed is not None
        before = document()
        with pytest.raises(Refused, match=why):
            place_set(job.number, members, actor=by)
        assert differences(before, document()) == []
        undo(job.number, placed.event.pk, by)
    url = reverse("bay_sets", args=[job.number])
    other = shop_floor.job().parts.last()
    assert other is not None
    for wrong in ([], ["rear_door_left::::"], [f"rear_door_left:{other.pk}::single"]):
        assert client.post(url, {"member": wrong}).status_code == 422
    assert not job.speakers.exists()


@pytest.mark.django_db
def test_a_factory_speaker_and_its_like_on_the_other_side(
    shop_floor: Workshop, client: Client
) -> None:
    job = shop_floor.job()
    url = reverse("bay_place_add", args=[job.number, "front_door_right"])
    post = {
        "what": "factory",
        "name": "Door speaker",
        "kind": "full_range",
        "impedance_ohm": "3.2",
        "both_sides": "on",
        "target": str(job.channels.get(number=2).pk),
    }
    assert client.post(url, post).status_code == 200
    assert _speakers(job) == {
        ("front_door_right", "Door speaker", 3.2, "A1.2"),
        ("front_door_left", "Door speaker", 3.2, "A1.1"),
    }
    event = JobEvent.objects.get(job=job, code="speaker.set_added")
    centre = reverse("bay_place_add", args=[job.number, "boot"])
    assert b"has no other side" in client.post(centre, post).content
    undo(job.number, event.pk, shop_floor.technician)
    assert not job.speakers.exists()


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_of_two_who_place_the_same_set_at_once_one_is_refused() -> None:
    shop_floor = Workshop()
    job = shop_floor.job()
    members = sets_to_place(job)[0].members
    answers = at_once(
        lambda: place_set(job.number, members, actor=shop_floor.technician),
        lambda: place_set(job.number, members, actor=shop_floor.manager),
    )
    assert sorted(type(one).__name__ for one in answers) == ["JobEvent", "Refused"]
    assert JobSpeaker.objects.filter(job=job).count() == len(members)

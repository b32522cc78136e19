"""The shop's own log is a chain: an entry changed, put in, moved or taken out is named by its
place, by whoever can write to the database alone."""

from collections.abc import Iterator
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from jobs.record_key import key_path
from jobs.services import record, shop_chain
from shop import frozen
from shop.models import Bay, Customer, ShopEvent, StaffMember
from shop.roles import Role
from shop.services import events
from tests.factories import make_shop, make_staff
from tests.racing import at_once

pytestmark = pytest.mark.django_db
ENTRIES = 6


@pytest.fixture
def manager() -> StaffMember:
    make_shop()
    return make_staff(Role.MANAGER)


@pytest.fixture
def _log(manager: StaffMember) -> Iterator[None]:
    """Six entries, the third and fourth alike but for their place; the triggers are away, as for
    somebody who owns the database."""
    for name in ("Ada", "Brook", "Twin", "Twin", "Eve", "Finn"):
        events.save(Customer(name=name), manager)
    frozen.remove(connection)
    yield
    frozen.install(connection)


def raw(sql: str, *values: Any) -> None:
    with connection.cursor() as cursor:
        cursor.execute(sql, values)


def problems() -> list[str]:
    return list(shop_chain.check())


def place(number: int) -> str:
    return f"Entry {number}, “customer.created”"


@pytest.mark.usefixtures("_log")
def test_a_log_that_nobody_touched_holds() -> None:
    assert [event.number for event in ShopEvent.objects.order_by("pk")] == [*range(1, ENTRIES + 1)]
    assert problems() == []
    call_command("check_log")


@pytest.mark.usefixtures("_log")
@pytest.mark.parametrize(
    "change",
    [
        "UPDATE shop_shopevent SET after = '{}' WHERE number = 4",
        "UPDATE shop_shopevent SET name = 'Nobody' WHERE number = 4",
        "UPDATE shop_shopevent SET actor_id = NULL WHERE number = 4",
        "UPDATE shop_shopevent SET code = 'customer.changed' WHERE number = 4",
    ],
)
def test_a_changed_entry_is_named(change: str) -> None:
    raw(change)
    found = problems()
    assert len(found) == 1
    assert found[0].startswith("Entry 4, ")
    assert "does not follow" in found[0]
    with pytest.raises(CommandError, match="1 things"):
        call_command("check_log")


@pytest.mark.usefixtures("_log")
@pytest.mark.parametrize("number", [1, 4, ENTRIES])
def test_a_removed_entry_is_named_by_its_number(number: int) -> None:
    """The first, one in the middle, and the newest, which leaves no gap behind it."""
    raw("DELETE FROM shop_shopevent WHERE number = %s", number)
    assert problems() == (
        [f"The log ends at entry {ENTRIES - 1}, and {ENTRIES} were written."]
        if number == ENTRIES
        else [f"The log lacks entry {number}."]
    )


@pytest.mark.usefixtures("_log")
def test_two_entries_that_changed_places_are_named(manager: StaffMember) -> None:
    """By their numbers, and by the rows that the log is shown in."""
    raw("UPDATE shop_shopevent SET number = 9 - number WHERE number IN (4, 5)")
    found = problems()
    assert any(one.startswith(place(4)) and "out of order" in one for one in found), found
    assert not any("Entry 2," in one or "Entry 3," in one for one in found)
    raw("UPDATE shop_shopevent SET number = 9 - number WHERE number IN (4, 5)")
    assert problems() == []
    rows = dict(ShopEvent.objects.values_list("number", "pk"))
    raw("UPDATE shop_shopevent SET id = -1 WHERE number = 3")
    raw("UPDATE shop_shopevent SET id = %s WHERE number = 5", rows[3])
    raw("UPDATE shop_shopevent SET id = %s WHERE number = 3", rows[5])
    found = problems()
    assert any("Entry 3," in one and "out of order" in one for one in found), found


@pytest.mark.usefixtures("_log")
def test_an_entry_put_in_is_named(manager: StaffMember) -> None:
    facts = {"code": "customer.created", "subject": "customer:1", "name": "Mallory"}
    ShopEvent.objects.create(**facts, number=3, chain="0" * 64)
    assert [one for one in problems() if "Mallory" in one and "two of this number" in one]
    raw("DELETE FROM shop_shopevent WHERE name = 'Mallory'")
    event = ShopEvent.objects.create(**facts, number=ENTRIES + 1, chain="0" * 64)
    found = problems()
    assert found[0].startswith(f"Entry {ENTRIES + 1}, “customer.created” of Mallory")
    assert "ends at entry 7, and 6" in found[1]
    raw("DELETE FROM shop_shopevent WHERE id = %s", event.pk)
    ShopEvent.objects.create(**facts)
    assert "linked to nothing" in problems()[0]


@pytest.mark.usefixtures("_log")
@pytest.mark.parametrize(
    "change",
    [
        "UPDATE jobs_shopchain SET count = 5",
        "UPDATE jobs_shopchain SET taken_over = 1",
        "DELETE FROM jobs_shopchain",
    ],
)
def test_the_head_cannot_be_moved_with_the_log_cut_off(change: str, manager: StaffMember) -> None:
    raw("DELETE FROM shop_shopevent WHERE number = %s", ENTRIES)
    raw(change)
    assert problems()[0].startswith("The head of the log")
    events.save(Customer(name="After"), manager)
    assert problems(), "what is written later heals nothing"
    assert not shop_chain.has_none_yet()


@pytest.mark.usefixtures("_log")
def test_without_a_head_the_log_counts_on_behind_the_highest_and_not_behind_the_last(
    manager: StaffMember,
) -> None:
    raw("DELETE FROM jobs_shopchain")
    newest = ShopEvent.objects.latest("pk")
    raw("UPDATE shop_shopevent SET number = 900 WHERE id = %s", newest.pk - 1)
    events.save(Customer(name="After"), manager)
    events.save(Customer(name="Later"), manager)
    numbers = ShopEvent.objects.order_by("pk").values_list("number", flat=True)
    assert list(numbers)[-3:] == [newest.number, 901, 902]


@pytest.mark.usefixtures("_log")
def test_a_log_from_before_there_was_a_chain_is_taken_over_once(manager: StaffMember) -> None:
    raw("UPDATE shop_shopevent SET number = NULL, chain = ''")
    raw("DELETE FROM jobs_shopchain")
    assert shop_chain.has_none_yet()
    shop_chain.begin()
    assert not shop_chain.has_none_yet()
    events.save(Customer(name="After"), manager)
    assert problems() == []
    raw("UPDATE shop_shopevent SET name = 'Nobody' WHERE name = 'Eve'")
    assert "The 6 entries from before" in problems()[0]
    raw("UPDATE shop_shopevent SET name = 'Eve' WHERE name = 'Nobody'")
    assert problems() == []
    raw("DELETE FROM shop_shopevent WHERE name = 'Ada'")
    assert "The 6 entries from before" in problems()[-1] or "The 6 entries" in problems()[0]


@pytest.mark.usefixtures("_log")
def test_without_the_key_the_shop_goes_on_and_the_check_says_so(manager: StaffMember) -> None:
    path = key_path()
    path.rename(path.with_suffix(".away"))
    events.save(Customer(name="Meanwhile"), manager)
    with pytest.raises(CommandError, match="missing or damaged"):
        call_command("check_log")
    path.with_suffix(".away").rename(path)
    events.save(Customer(name="After"), manager)
    [only] = problems()
    assert "Meanwhile" in only
    path.unlink()
    record.seal_anew()
    assert problems() == []
    events.save(Customer(name="Anew"), manager)
    assert problems() == []


@pytest.mark.parametrize("value", ["ü", "1.50", True, None, ["a", 2]])
def test_what_an_entry_says_is_told_alike_before_and_after_the_database(
    manager: StaffMember, value: Any
) -> None:
    many = [
        events.Change("bay.changed", Bay(pk=n, name="x" * 40), {}, {"v": value}) for n in (1, 2)
    ]
    events.log_each(None, many)
    assert problems() == []


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has one writer at a time")
def test_entries_written_at_once_are_one_chain_from_the_first_on() -> None:
    make_shop()
    manager = make_staff(Role.MANAGER)
    assert not ShopEvent.objects.exists()
    at_once(*[lambda: events.save(Customer(name="Twin"), manager)] * 4)
    numbers = list(ShopEvent.objects.order_by("number").values_list("number", flat=True))
    assert numbers == [*range(1, len(numbers) + 1)]
    assert problems() == []

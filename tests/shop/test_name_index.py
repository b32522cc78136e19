"""What SQLite looks customers up by is kept by the database itself, and loses who was erased."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from django.db import connection

from jobs.services.customers import erase, merge
from shop import name_index
from shop.likeness import customers_near
from shop.models import Customer
from shop.roles import Role
from tests.factories import CustomerFactory, make_shop, make_staff

pytestmark = [
    pytest.mark.django_db,
    pytest.mark.skipif(connection.vendor != "sqlite", reason="PostgreSQL has trigram indexes"),
]


def rows() -> dict[str, set[tuple[object, ...]]]:
    """Every row of the tables, words by their text."""
    word = f"(SELECT word FROM {name_index.WORDS} WHERE id = word_id)"
    asked = {
        "words": f"SELECT word FROM {name_index.WORDS}",
        "groups": f"SELECT part, {word} FROM {name_index.GROUPS}",
        "holders": f"SELECT {word}, field, customer_id FROM {name_index.HOLDERS}",
    }
    with connection.cursor() as cursor:
        return {name: set(cursor.execute(sql).fetchall()) for name, sql in asked.items()}


def assert_as_made_anew() -> None:
    kept = rows()
    name_index.install(connection)
    assert kept == rows()


def test_every_way_a_customer_changes_reaches_the_tables() -> None:
    make_shop()
    manager = make_staff(Role.MANAGER)
    one, twin, other = (
        CustomerFactory(name=name, phone="", phone_digits=digits, email=email)
        for name, digits, email in (
            ("Odalys O'Thrupp-Marsh", "441614960123", "o.thrupp@example.org"),
            ("Odalys O'Thrupp-Marsh", "441614960123", "o.thrupp@example.org"),
            ('Élodie "Li" Ångmar \\ Öst', "", ""),
        )
    )
    Customer.objects.bulk_create([Customer(name="Wendeline Quarrick", phone_digits="5551234")])
    assert_as_made_anew()
    assert {("THRUPP",), ("MARSH",), ("QUARRICK",)} <= rows()["words"]
    assert customers_near("Quarrik") == list(
        Customer.objects.filter(name="Wendeline Quarrick").values_list("pk", flat=True)
    )
    assert customers_near("élodei") == customers_near("Angmar") == [other.pk]

    one.name = "Odalys Penhallow"
    one.save()
    assert customers_near("Thruppe") == [twin.pk]
    Customer.objects.filter(pk=other.pk).update(name="Élodie Penhalow", phone_digits="99")
    with connection.cursor() as cursor:
        cursor.execute("UPDATE shop_customer SET email = 'x@y.z' WHERE id = %s", [one.pk])
    assert_as_made_anew()
    merge(one.pk, twin.pk, manager)
    assert_as_made_anew()


def test_who_was_erased_is_in_none_of_the_tables_but_a_namesake_stays() -> None:
    make_shop()
    manager = make_staff(Role.MANAGER)
    gone, namesake = CustomerFactory(name="Perpetua Gorse"), CustomerFactory(name="Perpetua Lind")
    Customer.objects.filter(pk=gone.pk).update(phone_digits="5550199", email="pg@gorse.example")
    erase(gone.pk, manager)
    words = {word for (word,) in rows()["words"]}
    assert "PERPETUA" in words
    assert not {"GORSE", "5550199", "PG"} & words
    assert {key for word, _, key in rows()["holders"] if word == "PERPETUA"} == {namesake.pk}
    assert {word for _, word in rows()["groups"]} == words
    assert customers_near("Gorsse") == []
    Customer.objects.filter(pk=namesake.pk).delete()
    assert_as_made_anew()


def test_a_copy_of_the_database_keeps_its_own_tables(tmp_path: Path) -> None:
    """As a backup is made and put back; and a plain connection to it needs nothing of ours."""
    CustomerFactory(name="Perpetua Gorsefield")
    with closing(sqlite3.connect(tmp_path / "copy.sqlite3")) as copy:
        copy.executescript("\n".join(connection.connection.iterdump()))
        copy.execute("UPDATE shop_customer SET name = 'Perpetua Lindqvist'")
        assert copy.execute(
            f"SELECT word FROM {name_index.WORDS} WHERE word LIKE '%GORSE%' OR word LIKE 'LIND%'"
        ).fetchall() == [("LINDQVIST",)]


@pytest.mark.parametrize("text", ["orsef", "PERP", "gorsefield perp", "o'thr", "4960123", "p@go"])
def test_the_tables_leave_out_nobody_that_has_it(text: str) -> None:
    Customer.objects.bulk_create(
        Customer(name=f"Person {n}", phone_digits=f"555{n:05}") for n in range(50)
    )
    both = [
        CustomerFactory(
            name=name, phone="", phone_digits="441614960123", email="p@gorsefield.example"
        )
        for name in ("Perpetua Gorsefield O'Thrupp", "gorsefield-o'thrupp, perpetua")
    ]
    assert list(Customer.objects.matching(text)) == sorted(both, key=lambda one: one.name)


def test_a_part_that_very_many_have_narrows_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(name_index, "DENSE", 3)
    Customer.objects.bulk_create(Customer(name=f"Ada Oak{n % 4}") for n in range(8))
    assert name_index.holding("ada", "name") is None
    assert len(name_index.holding("ada oak1", "name") or ()) == 2
    assert Customer.objects.matching("ada oak1").count() == 2
    assert Customer.objects.matching("ada").count() == 8

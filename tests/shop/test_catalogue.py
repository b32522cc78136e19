"""The catalogue and the settings: figures go in and come out as they were."""

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from shop.catalogue.product_forms import GROUPS, ProductForm
from shop.models import Product, ProductKind, Shop, ShopEvent
from shop.models.products import REQUIRED_FIGURES
from shop.roles import Role
from shop.units import LengthField
from tests.factories import make_job, make_product, make_shop, make_staff


@pytest.fixture
def manager(client: Client, db: None) -> Client:
    client.force_login(make_staff(Role.MANAGER))
    return client


@pytest.mark.parametrize("kind", ProductKind.values)
def test_each_kind_asks_for_every_figure_its_sums_need(kind: str) -> None:
    asked = {name for _, names in GROUPS[kind] for name in names}
    fixed = {"speaker_kind"} if kind == ProductKind.SUBWOOFER else set()
    assert set(REQUIRED_FIGURES.get(ProductKind(kind), ())) <= asked | fixed
    assert asked <= set(ProductForm(kind=kind).fields)


def amplifier(**overrides: Any) -> dict[str, Any]:
    rows = {f"ratings-{row}-{name}": "" for row in range(3) for name in ("load_ohm", "power_w")}
    return {
        "maker": "Tarnholt",
        "name": "Six",
        "amplifier_channels": "6",
        "line_inputs": "6",
        "line_outputs": "2",
        "bridgeable": "1+2; 3+4",
        "turn_on": "remote_wire",
        "ratings-TOTAL_FORMS": "3",
        "ratings-INITIAL_FORMS": "0",
        **rows,
        "ratings-0-load_ohm": "4",
        "ratings-0-power_w": "75",
        **overrides,
    }


def test_an_amplifier_is_kept_with_its_ratings(manager: Client) -> None:
    url = f"{reverse('product_create')}?kind=amplifier"
    manager.post(url, amplifier())
    product = Product.objects.get()
    assert product.kind == ProductKind.AMPLIFIER
    assert product.bridge_pairs == ((1, 2), (3, 4))
    assert [str(rating) for rating in product.ratings.all()] == ["75\u00a0W into 4\u00a0Ω"]


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"bridgeable": "1-2"}, "no pair of channels"),
        ({"bridgeable": "2+1"}, "no pair of channels"),
        ({"ratings-0-power_w": "-5"}, "greater than or equal to"),
        ({"efficiency": "1.4"}, "less than or equal to"),
        ({"input_sensitivity_min_v": "5", "input_sensitivity_max_v": "2"}, "ends below"),
    ],
)
def test_a_wrong_figure_is_said_and_the_rest_kept(
    manager: Client, wrong: dict[str, str], said: str
) -> None:
    url = f"{reverse('product_create')}?kind=amplifier"
    answer = manager.post(url, amplifier(**wrong))
    page = answer.content.decode()
    assert answer.status_code == 422
    assert said in page
    assert 'value="Tarnholt"' in page
    assert not Product.objects.exists()


@pytest.mark.django_db
def test_a_discontinued_product_is_offered_no_more_but_found_when_asked(manager: Client) -> None:
    make_product(maker="Tarnholt", name="Old One", discontinued=True)
    options = manager.get(reverse("part_options"), {"part_search": "old one"}).content.decode()
    assert "Old One" not in options
    listed = manager.get(reverse("product_list"), {"old": "1"}).content.decode()
    assert "Old One" in listed


def test_a_length_left_as_shown_comes_back_exactly() -> None:
    # 0.45 m is 17.716... in, shown rounded; 1 in is 0.0254 m exactly (1959 agreement).
    field = LengthField(unit="in", stands_m=0.45)
    shown = field.prepare_value(0.45)
    assert shown == "17.72"
    assert field.clean(shown) == 0.45
    assert field.clean("18") == pytest.approx(0.4572, rel=1e-12)


def test_settings_in_inches_are_kept_in_metres(manager: Client) -> None:
    make_shop(units="us", fuse_distance_m=0.45)
    form = manager.get(reverse("settings")).context["form"]
    values = {name: form[name].value() for name in form.fields}
    values = {name: "" if value is None else value for name, value in values.items()}
    assert form["fuse_distance_m"].value() == "17.72"

    manager.post(reverse("settings"), {**values, "time_zone": "America/Chicago"})
    shop = Shop.objects.current()
    assert (shop.time_zone, shop.fuse_distance_m) == ("America/Chicago", 0.45)

    manager.post(reverse("settings"), {**values, "fuse_distance_m": "10"})
    assert Shop.objects.current().fuse_distance_m == pytest.approx(0.254, rel=1e-12)


def test_line_ends_alone_are_no_change(manager: Client) -> None:
    """A browser sends two characters for each end of a line; an address typed anew is told."""
    make_shop(address="7 Heronsway\nLarkstead", fuse_distance_m=0.45)
    form = manager.get(reverse("settings")).context["form"]
    values = {name: form[name].value() for name in form.fields}
    values = {name: "" if value is None else value for name, value in values.items()}
    told = ShopEvent.objects.filter(code="shop.changed")

    manager.post(reverse("settings"), {**values, "address": "7 Heronsway\r\nLarkstead"})
    assert not told.exists()
    assert Shop.objects.current().address == "7 Heronsway\nLarkstead"

    manager.post(reverse("settings"), {**values, "address": "7 Heronsway\r\nLarkstead 2"})
    assert list(told.get().after) == ["address"]


@pytest.mark.django_db
def test_the_list_of_what_lacks_figures_is_what_the_pages_say() -> None:
    for kind in ProductKind.values:
        make_product(kind=kind, efficiency=None)
    make_product(ratings=[(4, 75, False)])
    make_product()
    figures = {"impedance_ohm": 4.0, "power_w": 60.0}
    for speaker_kind in ("tweeter", "midrange", "midbass"):
        make_product(kind=ProductKind.SPEAKER, speaker_kind=speaker_kind, **figures)
    lacking = set(Product.objects.lacking())
    assert lacking == {product for product in Product.objects.all() if product.missing_figures}
    assert 0 < len(lacking) < Product.objects.count()


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("pairs", "said"),
    [
        ("1+2, 2+3", "Channel 2 stands in two pairs"),
        ("5+7", "names channel 7, and this amplifier has 6"),
        ("0+1", "lower channel comes first"),
        ("1+2+3", "no pair of channels"),
    ],
)
def test_pairs_that_cannot_be_bridged_are_said(pairs: str, said: str) -> None:
    data = {"maker": "Tarnholt", "name": "Six", "amplifier_channels": "6", "bridgeable": pairs}
    assert said in str(ProductForm(data, kind=ProductKind.AMPLIFIER).errors["bridgeable"])


def test_a_used_product_stays_and_can_be_discontinued(manager: Client) -> None:
    product = make_product()
    job = make_job(parts_wanted=[product])
    url = reverse("product_remove", args=[product.pk])
    answer = manager.post(url)
    assert answer.status_code == 409
    assert f"{job}" in answer.content.decode()
    manager.post(url, {"instead": "discontinue"})
    product.refresh_from_db()
    assert product.discontinued


def test_a_product_nobody_uses_is_deleted_once_confirmed(manager: Client) -> None:
    product = make_product(ratings=[(4, 75, False)])
    url = reverse("product_remove", args=[product.pk])
    manager.get(url)
    assert Product.objects.exists()
    manager.post(url)
    assert not Product.objects.exists()


@pytest.mark.django_db
def test_what_the_shop_pays_is_for_managers_alone(client: Client) -> None:
    url = reverse("product", args=[make_product(cost="317.25").pk])
    for role, sees in ((Role.TECHNICIAN, False), (Role.FRONT_DESK, False), (Role.MANAGER, True)):
        client.force_login(make_staff(role))
        assert ("317.25" in client.get(url).content.decode()) is sees


@pytest.mark.parametrize(
    ("typed", "kept"), [("30+30", "30 + 30"), ("40 A", "40"), ("7,5", "7.5"), ("", "")]
)
def test_the_fuses_in_a_case_are_kept_as_ratings(typed: str, kept: str) -> None:
    form = ProductForm({"built_in_fuses": typed}, kind=ProductKind.AMPLIFIER)
    assert "built_in_fuses" not in form.errors
    assert form.cleaned_data["built_in_fuses"] == kept


@pytest.mark.parametrize("typed", ["30 x 30", "two", "30 30", "0", "5000", "nan", "+"])
def test_what_is_no_rating_is_said_to_be_none(typed: str) -> None:
    form = ProductForm({"built_in_fuses": typed}, kind=ProductKind.AMPLIFIER)
    assert "30 + 30" in form.errors["built_in_fuses"][0]


@pytest.mark.django_db
def test_figures_few_products_have_stay_folded_until_one_is_known() -> None:
    def folds(product: Product) -> list[str]:
        return [fold for _, _, fold in ProductForm(instance=product, kind=product.kind).groups]

    assert folds(make_product()) == ["", "", "", "closed", "closed"]
    assert folds(make_product(trigger_outputs=2)) == ["", "", "", "closed", "opened"]
    assert folds(make_product(level_steps="-60 to 6 step 0.5"))[3] == "opened"
    assert folds(make_product(kind=ProductKind.PROCESSOR)) == ["", "", "", "closed"]
    assert folds(make_product(kind=ProductKind.CONVERTER)) == [""]

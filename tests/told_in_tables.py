"""Texts that stand in tables of the code, are kept in rows in English, and are translated where
they are shown: `told` in templates and code.

They are the labels and helps of models and forms, what may be chosen, and the tables of names
listed here. A form's own labels are read from its code, since some are made for one car alone.
"""

import ast
import re
import sys
from collections.abc import Iterable, Iterator
from importlib import import_module
from inspect import signature
from pathlib import Path
from pkgutil import walk_packages
from types import ModuleType
from typing import Any, Final

from django import forms
from django.apps import apps
from django.db import models
from django.forms.utils import pretty_name

from shop.change_words import label_of
from shop.languages import NAMES
from shop.wording import capital

ROOT: Final = Path(__file__).resolve().parent.parent
NAMED: Final = frozenset({"label", "help_text", "empty_label", "legend", "verbose_name", "unit"})
"""Arguments that are shown."""

SHOWN: Final = frozenset(
    {"labels", "help_texts", "error_messages", "required", "invalid", "empty", "placeholder"}
)
"""Tables within forms, and keys of them, that are shown."""

FORMS: Final = ("jobs/forms", "shop/forms", "shop/catalogue", "jobs/views", "shop/views")
TABLES: Final = {
    "jobs/lifecycle.py": None,
    "jobs/views/bay/bay_sheet.py": None,
    "jobs/lists/cautions.py": None,
    "jobs/lists/comebacks.py": None,
    "jobs/lists/functions.py": None,
    "jobs/lists/reconnect.py": None,
    "jobs/lists/steps.py": None,
    "jobs/services/gates.py": None,
    "jobs/services/booking.py": frozenset({"USUAL_READINGS", "READINGS"}),
    "jobs/reads/board.py": None,
    "jobs/reads/history.py": None,
    "jobs/reads/plan.py": None,
    "jobs/reads/numbers.py": None,
    "jobs/setups/facts.py": None,
    "jobs/sheet/change_values.py": None,
    "jobs/sheet/document.py": frozenset({"ASSUMPTIONS"}),
    "jobs/sheet/papers.py": None,
    "shop/first_day.py": None,
    "shop/reads/events.py": None,
    "shop/views/failures.py": None,
    "shop/change_words.py": None,
    "jobs/views/job.py": None,
    "jobs/views/bay/steps.py": None,
}
"""Modules whose tables are shown: all of them, or those of these names."""


WORDS: Final = re.compile(r"^[A-Z“]|\S \S")
CODE: Final = re.compile(r"[_{}<>=\\]|\w/\w+/|^[a-z]+\.[a-z]+$|^\W*$")


WITHIN: Final = {
    "shop/first_day.py": "first_steps",
    "jobs/reads/numbers.py": "numbers",
}
"""Functions whose texts are shown."""


def tables() -> dict[str, Iterable[str]]:
    """Texts by the file in which they stand."""
    from jobs.lists import car_places
    from jobs.plan.power import fuse_bodies
    from shop import context
    from wiring.colours import NAMES as COLOURS
    from wiring.names import KIND_NAMES
    from wiring.positions import POSITIONS

    found: dict[str, Iterable[str]] = {
        "jobs/lists/car_places.py": [one.label for one in car_places._ALL],
        "shop/context.py": [item.label for item in context.NAV],
        "wiring/colours.py": COLOURS.values(),
        "wiring/names.py": KIND_NAMES.values(),
        "wiring/positions.py": [
            *(one.label for one in POSITIONS.values()),
            *(one.label.removesuffix(" left") for one in POSITIONS.values()),
        ],
        "jobs/plan/power.py": [capital(name) for name in fuse_bodies()],
    }
    gathered = (of_models(), of_history(), of_shop_log(), of_fields(), of_forms(), of_modules())
    for more in gathered:
        for place, texts in more.items():
            found[place] = [*found.get(place, ()), *texts]
    return found


def of_models() -> dict[str, list[str]]:
    """What may be chosen, by the file of the model: of its fields, and beside them."""
    found: dict[str, list[str]] = {}
    for name, module in list(sys.modules.items()):
        if name.startswith(("jobs.models.", "shop.models.")):
            texts = found.setdefault(name.replace(".", "/") + ".py", [])
            for one in vars(module).values():
                if getattr(one, "__module__", "") == name and hasattr(one, "labels"):
                    texts += map(str, one.labels)
    for model in apps.get_models():
        if model._meta.app_label in {"jobs", "shop"}:
            texts = found.setdefault(model.__module__.replace(".", "/") + ".py", [])
            for field in model._meta.get_fields():
                if isinstance(field, models.Field):
                    texts += [
                        str(label) for _, label in field.flatchoices if label not in NAMES.values()
                    ]
    return found


LOGGED: Final = (
    *("AdapterLead", "AdapterWire", "Channel", "ChannelSetting", "CheckIn", "DeskFacts"),
    *("FactoryOutput", "FactorySum", "FaultCodes", "FitProof", "FunctionCheck", "JobPart"),
    *("JobSpeaker", "ListeningSeat", "MeasuredResponse", "OtherSetting", "Panel", "PowerRun"),
    *("EstimateLine", "JobStep", "Photo", "Reading", "SeatDistance", "SupplyFacts", "TimeEntry"),
    "TuningFacts",
)
"""Models whose fields the history of a job names."""

BESIDE_FIELDS: Final = ("finding", "bands", "number")
"""What events tell that is no field of a row."""


def of_history() -> dict[str, list[str]]:
    """What the history calls the fields of the rows it tells of, as it names them."""
    labels = list(BESIDE_FIELDS)
    for model in apps.get_app_config("jobs").get_models():
        if model.__name__ in LOGGED:
            for field in model._meta.concrete_fields:
                stamp = STAMPED.search(field.name) and field.name not in MEANT
                if field.editable and not (field.primary_key or stamp):
                    labels.append(_label(field))
    return {"jobs/reads/history.py": [capital(label) for label in labels]}


def of_shop_log() -> dict[str, list[str]]:
    """What the shop's own log calls the fields of the records it tells of."""
    from shop.reads.events import _LABELS, KINDS
    from shop.services.events import logged_fields

    fields = (field for kind in KINDS.values() for field in logged_fields(kind.model))
    labels = [
        _label(field)
        for field in fields
        if field.name not in _LABELS and not OF_ACCOUNTS.search(field.name)
    ]
    return {"shop/reads/events.py": [capital(label) for label in labels]}


def _label(field: Any) -> str:
    label = label_of(field, field.name)
    numeric = isinstance(field, NUMERIC) and not field.flatchoices
    return label.rpartition(", ")[0] or label if numeric else label


STAMPED: Final = re.compile(
    r"^(job|order|key|version|sha256|x|y|record|signature|by|text|subject|file|thumbnail)$"
    r"|^(width|height|annotations|gate)$|_(at|by|digest)$"
)
MEANT: Final = frozenset({"turn_on_by", "started_at", "ended_at", "confirmed_at"})
"""What looks like a stamp and is told all the same."""

OF_ACCOUNTS: Final = re.compile(r"^(first_name|last_name|email|username|is_\w+)$|_(at|digest)$")
"""What Django or the log itself names, and what is no column that people fill in."""

NUMERIC: Final = (models.IntegerField, models.FloatField, models.DecimalField)


def of_fields() -> dict[str, list[str]]:
    """Labels and helps of every form and cell as they are shown."""
    found: dict[str, list[str]] = {}
    for top in ("jobs.forms", "shop.forms", "shop.catalogue", "jobs.views", "shop.views"):
        package = import_module(top)
        for one in walk_packages(package.__path__, f"{top}."):
            if one.name != "shop.views.gallery":
                module = import_module(one.name)
                texts = found.setdefault(one.name.replace(".", "/") + ".py", [])
                for name, field in _fields_of(module):
                    said = [str(field.label or pretty_name(name)), str(field.help_text or "")]
                    texts += [one for one in said if not ("<" in one or OF_DJANGO.match(one))]
    return found


OF_DJANGO: Final = re.compile(
    r"^(At most \d|Designates|Enter the same password|New password conf|Old password)"
)
"""Said in each language as they are made, here or by Django."""


def _asks_nothing(function: Any) -> bool:
    return not signature(function).parameters


def _fields_of(module: ModuleType) -> Iterator[tuple[str, forms.Field]]:
    for one in vars(module).values():
        if getattr(one, "__module__", "") != module.__name__:
            continue
        if isinstance(one, type) and issubclass(one, forms.BaseForm):
            yield from getattr(one, "base_fields", {}).items()
        elif "forms" in module.__name__ and hasattr(one, "cache_info") and _asks_nothing(one):
            cells = one()
            if isinstance(cells, dict):
                yield from (one for one in cells.items() if isinstance(one[1], forms.Field))


def of_forms() -> dict[str, list[str]]:
    """Labels, helps and complaints that are written in the forms and beside them."""
    found: dict[str, list[str]] = {}
    for top in FORMS:
        for path in sorted((ROOT / top).rglob("*.py")):
            if path.name == "gallery.py":
                continue
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                texts = list(_shown(node))
                found.setdefault(str(path.relative_to(ROOT)), []).extend(texts)
    return found


def _shown(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.keyword) and node.arg in NAMED:
        yield from _texts(node.value)
    if isinstance(node, ast.Assign) and {getattr(one, "id", "") for one in node.targets} & SHOWN:
        yield from _texts(node.value)
    if isinstance(node, ast.Assign) and {getattr(one, "attr", "") for one in node.targets} & NAMED:
        yield from _texts(node.value)
    if isinstance(node, ast.Tuple) and len(node.elts) == 2 and _is_choice(*node.elts):
        yield from _texts(node.elts[1])
    if isinstance(node, ast.Dict):
        for key, value in zip(node.keys, node.values, strict=True):
            if isinstance(key, ast.Constant) and key.value in SHOWN:
                yield from _texts(value)


def _is_choice(value: ast.AST, label: ast.AST) -> bool:
    """A key and what it is called, as forms have them in what may be chosen."""
    if not (isinstance(value, ast.Constant) and isinstance(label, ast.Constant)):
        return False
    return not str(value.value)[:1].isupper() and str(label.value)[:1].isupper()


def of_modules() -> dict[str, list[str]]:
    """What stands in the tables of a module, outside its functions."""
    found: dict[str, list[str]] = {}
    for name, wanted in TABLES.items():
        path = ROOT / name
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
                continue
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            called = {getattr(one, "id", "") for one in targets}
            if wanted is None or called & wanted:
                found.setdefault(name, []).extend(_texts(node.value))
    for name, function in WITHIN.items():
        for node in ast.parse((ROOT / name).read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef) and node.name == function:
                docstring = ast.get_docstring(node, clean=False)
                texts = [one for one in _texts(node) if one != docstring]
                found.setdefault(name, []).extend(texts)
    return found


def _texts(value: ast.AST) -> Iterator[str]:
    """The texts of a table: words, not keys."""
    pieces = {
        id(part) for one in ast.walk(value) if isinstance(one, ast.JoinedStr) for part in one.values
    }
    for one in ast.walk(value):
        text = one.value if isinstance(one, ast.Constant) and id(one) not in pieces else None
        if isinstance(text, str) and WORDS.search(text) and not CODE.search(text):
            yield text

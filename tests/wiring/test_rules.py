"""The registry: every rule is listed once, says what it looks for, keeps to what it declares."""

import io
import json
from contextlib import redirect_stdout
from pathlib import Path

import msgspec
import pytest

from tests.wiring.plans import changed, good_plan
from wiring.__main__ import main, rules_page
from wiring.context import RULES, rule
from wiring.plan import Section, Setting


def test_every_rule_says_what_it_looks_for() -> None:
    for name, one in RULES.items():
        assert one.name == name
        assert one.severities, name
        assert all(one.sources), name
        assert one.what.endswith((".", ":", ";")) or len(one.what) > 20, name


def test_a_second_rule_of_one_name_is_refused() -> None:
    with pytest.raises(ValueError, match="registered twice"):
        rule("headroom", "tuning", "caution", sources=("a test",))(lambda context: ())


def test_the_command_line_judges_the_tuning_too(tmp_path: Path) -> None:
    boosted = Setting(sections=(Section("peaking", 5_000.0, 9.0, 1.0),), level_db=3.0)
    file = tmp_path / "plan.json"
    for plan, expected in ((good_plan(), False), (None, True)):
        one = plan or changed(good_plan(), "channels", "amp6.1", setting=boosted)
        file.write_bytes(msgspec.json.encode(one))
        out = io.StringIO()
        with redirect_stdout(out):
            main(["check", str(file), "--json"])
        assert ("headroom" in {f["rule"] for f in json.loads(out.getvalue())}) is expected


def test_the_page_of_rules_is_the_registry() -> None:
    """`python -m wiring rules > docs/rules.md` makes it again."""
    page = Path(__file__).parents[2] / "docs" / "rules.md"
    assert page.read_text(encoding="utf-8") == rules_page()

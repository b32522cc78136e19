"""The proxy's file behind an update: ours is renewed, what somebody wrote stays."""

import pytest

from deploy.proxy import rendered, renewed

pytestmark = pytest.mark.once

OLD = """# A proxy.
(loombook.example.org) {
\treverse_proxy 127.0.0.1:8000
}
loombook.example.org {
\ttls {
\t\t# issuer internal
\t}
\tencode gzip
\timport loombook.example.org
}
"""
OLDEST = OLD.replace("encode gzip", "encode br")
NEW = OLD.replace("encode gzip", "encode zstd gzip")
OTHER = "elsewhere.example.org {\n\tencode gzip\n}\n\n"


def test_what_setting_up_wrote_is_renewed_of_whichever_version_and_nothing_else_is() -> None:
    """Two names of which one ends as the other, one from each version, one of another
    business and certified here."""
    first = rendered(OLD, "shop.example.org", internal=False)
    second = rendered(OLDEST, "my.shop.example.org", internal=True, port="8001")
    names = dict.fromkeys(("shop.example.org", "unserved.example.org"), "8000")
    names["my.shop.example.org"] = "8001"
    text, differ = renewed(OTHER + first + second, names, [OLD, OLDEST], NEW)
    assert text == (
        OTHER
        + rendered(NEW, "shop.example.org", internal=False)
        + rendered(NEW, "my.shop.example.org", internal=True, port="8001")
    )
    assert "\t\tissuer internal" in text and "127.0.0.1:8001" in text
    assert not differ
    assert renewed(text, names, [OLD, OLDEST], NEW) == (text, {}), "given again"


def test_what_somebody_changed_stays_and_the_lines_are_told() -> None:
    own = rendered(OLD, "shop.example.org", internal=False).replace("8000", "9000")
    text, differ = renewed(OTHER + own, {"shop.example.org": "8000"}, [OLD], NEW)
    assert text == OTHER + own
    assert differ == {"shop.example.org": "    + encode zstd gzip\n    - encode gzip"}

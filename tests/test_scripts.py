"""What our scripts never do with names that come from outside."""

import re
from pathlib import Path

SCRIPTS = sorted((Path(__file__).resolve().parents[1] / "static" / "js").glob("*.js"))
SET = re.compile(
    r"([\w$.]+|[\])])\[(?![\"'\d\]])((?:[^\[\]]|\[[^\]]*\])+)\]\s*(?:\|\||\?\?|&&|[-+*/])?=(?![=>])"
)
KNOWN = {
    ("passkeys.js", "response", "part"): "of a list that stands in the line before",
    ("photo_marks.js", "marks", "chosen"): "a place in a list of ours",
    ("plan.js", "move.ghost.style", "name"): "of a list that stands in the line before",
    ("wires.js", "values", "`row-${one.dataset.channel}`"): "begins with row-",
}
"""Where a name that is no constant is set on an object that has a prototype, and why it may be."""


def faults(name: str, text: str) -> list[str]:
    """Where a name from outside may reach the prototype of an object."""
    code = re.sub(r"^\s*(?:\*|/\*|//).*$", "", text, flags=re.MULTILINE)
    bare = set(re.findall(r"(?:const|let) (\w+) = Object\.create\(null\)", code))
    held = {(kept, target) for kept, target, _ in KNOWN}
    found = [
        f"{name}: {target}[{key}] is set"
        for target, key in SET.findall(code)
        if (name, target, key) not in KNOWN and target not in bare
    ]
    found += [
        f"{name}: Object.assign copies {source[:20]}"
        for source in re.findall(r"Object\.assign\([^,]+,\s*([^{\s].*)", code)
    ]
    found += [f"{name}: {line}" for line in re.findall(r"for \((?:const|let) \w+ in .*", code)]
    found += [f"{name}: {line}" for line in re.findall(r"__proto__|\.prototype\b.*=", code)]
    # A bare object of one function is none of another's that has the same name.
    plain = set(re.findall(r"(?:const|let) (\w+) = \{", code)) & bare
    return found + [f"{name}: {one} is bare and plain" for one in plain if (name, one) not in held]


def test_no_script_sets_names_from_outside_on_an_object_with_a_prototype() -> None:
    """ASVS 5.0 (2025), 15.3.6. `{...some}` and Object.fromEntries make properties of their own
    (ECMAScript 2024, 13.2.5.5 and 20.1.2.7), whatever they are called."""
    assert len(SCRIPTS) > 20
    assert [one for path in SCRIPTS for one in faults(path.name, path.read_text())] == []


def test_what_is_looked_for_is_found() -> None:
    for wrong in (
        "const a = {};\na[name] = 1;",
        "(a[name] ||= []).push(1)",
        "a[b[0]][name] = 1",
        "Object.assign(a, answer)",
        "for (const key in answer) use(key);",
        "const a = Object.create(null);\nconst a = {};\na[name] = 1",
    ):
        assert faults("x.js", wrong), wrong
    right = 'const a = Object.create(null); a[name] = 1; b["x"] = 1; if (b[x] === 1) c[0] = 1;'
    assert not faults("x.js", right + "const [one] = list; Object.assign(a, { b: 1 });")

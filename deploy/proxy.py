"""The proxy's settings for a name: deploy/proxy.py --for NAME PORT [internal] writes them out; and
behind an update: deploy/proxy.py BEFORE, the version that served until now.

What deploy/setup.sh made of deploy/Caddyfile.example, in whichever version, is renewed where the
shop's file still has it word for word; other sites beside it stay as they are. Where somebody
changed it, it stays, and the lines are told that the new one has otherwise.
"""

import shutil
import subprocess
import sys
from pathlib import Path

SITES = Path("/etc/caddy/Caddyfile")
SETTINGS = Path("/etc")
TEMPLATE = "deploy/Caddyfile.example"
NAME = "loombook.example.org"
PORT = "8000"


def rendered(template: str, name: str, *, internal: bool, port: str = PORT) -> str:
    """The template for one name."""
    lines = [line.replace(NAME, name, 1) for line in template.splitlines(keepends=True)]
    lines = [line.replace(f"127.0.0.1:{PORT}", f"127.0.0.1:{port}", 1) for line in lines]
    if internal:
        lines = [line.replace("# issuer internal", "issuer internal", 1) for line in lines]
    return "".join(lines)


def renewed(
    text: str, names: dict[str, str], olds: list[str], new: str
) -> tuple[str, dict[str, str]]:
    """The file with the new template in the place of each old one, for each name with its port; and
    for each name whose part somebody changed, the lines that differ."""
    differ = {}
    for name, port in names.items():
        for internal in (False, True):
            wanted = rendered(new, name, internal=internal, port=port)
            had = [rendered(old, name, internal=internal, port=port) for old in olds]
            if found := [wanted] * (wanted in text) or [one for one in had if one in text]:
                text = text.replace(found[0], wanted)
                break
        else:
            if name in text.replace("/", " ").replace(",", " ").split():
                internal = "issuer internal" in map(str.strip, text.splitlines())
                both = (rendered(one, name, internal=internal, port=port) for one in (olds[0], new))
                old, wanted = both
                differ[name] = _lines(text, old, wanted)
    return text, differ


def _lines(text: str, old: str, new: str) -> str:
    """What is new in ours and not in the file, and what ours had and the file still has."""
    there, before, now = ([line.strip() for line in one.splitlines()] for one in (text, old, new))
    fresh = [f"    + {line}" for line in now if line not in before and line not in there]
    gone = [f"    - {line}" for line in before if line not in now and line in there]
    return "\n".join(fresh + gone)


def _git(*words: str) -> str:
    return subprocess.check_output(["git", *words], text=True)


def main(before: str) -> None:
    """Renew the proxy's file, or say why it was left."""
    here, new = _git("show", f"{before}:{TEMPLATE}"), _git("show", f"HEAD:{TEMPLATE}")
    if here == new or not SITES.exists():
        return
    every = _git("log", "--all", "--format=%H", "--diff-filter=AM", "--", TEMPLATE).split()
    olds = [here, *(_git("show", f"{one}:{TEMPLATE}") for one in every)]
    names = {}
    for one in sorted(SETTINGS.glob("loombook*.env")):
        lines = (line.partition("=") for line in one.read_text().splitlines())
        set_to = {key: value.strip("\"'") for key, _, value in lines}
        for name in filter(None, set_to.get("LOOMBOOK_HOSTS", "").split(",")):
            names[name] = set_to.get("PORT", PORT)
    text = SITES.read_text()
    fresh, differ = renewed(text, names, olds, new)
    if fresh != text:
        kept = SITES.with_name(f"{SITES.name}.before-update")
        shutil.copy2(SITES, kept)
        SITES.write_text(fresh)
        adapt = ["caddy", "adapt", "--adapter", "caddyfile", "--config", str(SITES)]
        done = subprocess.run(adapt, capture_output=True, text=True)
        if done.returncode or subprocess.run(["systemctl", "reload", "caddy"]).returncode:
            shutil.copy2(kept, SITES)
            print(f"The proxy does not take its new settings: {SITES} is as it was. {done.stderr}")
        else:
            print(f"{SITES} was renewed, as this version has it; {kept} is how it was.")
    for name, lines in differ.items():
        if lines:
            print(f"{SITES} was changed by hand for {name} and stays. What is new in {TEMPLATE}")
            print(f"(+), and what it no longer has (-), to be taken over by hand:\n{lines}")


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["--for", name, port, *internal]:
            template = Path(TEMPLATE).read_text()
            print(rendered(template, name, internal=bool(internal), port=port), end="")
        case [before]:
            main(before)

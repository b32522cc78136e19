"""`make containers`: build the image, start deploy/compose.yaml from nothing and break it.

It has names and an address range of its own, publishes no port, and leaves nothing but the
image's layers, so that a shop served by the same engine is not touched. Where no engine answers, or
it cannot fetch the images, it says so and has tested nothing. Some minutes.
"""

import json
import secrets
import subprocess
import sys
import tempfile
import textwrap
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parent.parent
BASES: Final = ("debian:12-slim", "postgres:15-bookworm", "caddy:2")
NAME: Final = "shop.internal"
PROXY: Final = "172.30.78.2"
SETTINGS: Final = ROOT / "deploy" / "containers-drill.env"
"""Beside compose.env while it runs, so that what is not to be in the image has a chance to be."""

ELSEWHERE: Final = f"""
services:
  migrate: {{image: loombook-drill}}
  web: {{image: loombook-drill, environment: {{PROXY: {PROXY}}}}}
  mail: {{image: loombook-drill}}
  hooks: {{image: loombook-drill}}
  backup: {{image: loombook-drill}}
  proxy: {{ports: !reset [], networks: {{shop: {{ipv4_address: {PROXY}}}}}}}
networks:
  shop:
    ipam: !override
      config: [{{subnet: 172.30.78.0/24, ip_range: 172.30.78.128/25}}]
"""

ASK: Final = f"""
import http.client, json, socket, ssl, sys, time
authority, path, seconds = json.load(sys.stdin)
context = ssl.create_default_context(cadata=authority)
found, until = [], time.monotonic() + seconds
while True:
    line = http.client.HTTPSConnection("{NAME}", timeout=40)
    plain = socket.create_connection(("{PROXY}", 443), 40)
    line.sock = context.wrap_socket(plain, server_hostname="{NAME}")
    line.request("GET", path, headers={{"X-Forwarded-For": "203.0.113.7"}})
    found.append(line.getresponse().status)
    line.close()
    if time.monotonic() > until:
        break
    time.sleep(0.2)
print(json.dumps(found))
"""
INSIDE: Final = """
import os, pathlib
status = pathlib.Path("/proc/self/status").read_text()
assert os.getuid() == 10001, os.getuid()
assert "CapEff:\\t0000000000000000" in status and "CapBnd:\\t0000000000000000" in status, status
assert not os.access("/opt/loombook", os.W_OK) and not os.access("/var/run/postgresql", os.W_OK)
kept = {one.name for one in pathlib.Path("/opt/loombook").iterdir()}
assert not kept & {".git", "tests", "data", "docs"}, kept
assert not list(pathlib.Path("/opt/loombook/deploy").glob("*.env"))
"""


class Shop:
    """The containers of one run."""

    def __init__(self, folder: Path) -> None:
        self.override = folder / "override.yaml"
        self.override.write_text(ELSEWHERE)
        words = ("LOOMBOOK_SECRET", "SUPERUSER_PASSWORD", "OWNER_PASSWORD", "APP_PASSWORD")
        lines = [f"{word}={secrets.token_hex(32)}" for word in words]
        lines += ["COMPOSE_PROJECT_NAME=loombook-drill", f"LOOMBOOK_NAME={NAME}"]
        SETTINGS.touch(0o600)
        SETTINGS.write_text("\n".join([*lines, "LOOMBOOK_ISSUER=internal"]))

    def command(self, *words: str) -> list[str]:
        files = ("-f", str(ROOT / "deploy/compose.yaml"), "-f", str(self.override))
        return ["docker", "compose", "--env-file", str(SETTINGS), *files, *words]

    def run(self, *words: str, typed: str = "", refused: bool = False) -> str:
        """What a compose command prints; AssertionError with it where it went otherwise."""
        done = subprocess.run(self.command(*words), input=typed, capture_output=True, text=True)
        assert bool(done.returncode) is refused, done.stdout[-2000:] + done.stderr[-2000:]
        return done.stdout + (done.stderr if refused else "")

    def python(self, service: str, code: str, typed: str = "") -> str:
        return self.run("exec", "-T", service, ".venv/bin/python", "-c", code, typed=typed)

    def manage(self, service: str, *words: str, typed: str = "") -> str:
        at = ("exec", "-T", service, ".venv/bin/python", "manage.py")
        return self.run(*at, *words, typed=typed)

    def asking(self, path: str, seconds: float) -> Callable[[], list[int]]:
        """Asks the proxy over TLS from now on for so long; what comes of it is had by a call."""
        root = "/data/caddy/pki/authorities/local/root.crt"
        typed = json.dumps([self.run("exec", "-T", "proxy", "cat", root), path, seconds])
        words = self.command("exec", "-T", "mail", ".venv/bin/python", "-c", ASK)
        asked = subprocess.Popen(
            words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        assert asked.stdin
        asked.stdin.write(typed)
        asked.stdin.close()
        asked.stdin = None

        def answer() -> list[int]:
            said, failed = asked.communicate(timeout=seconds + 60)
            assert not asked.returncode, failed
            return list(json.loads(said))

        return answer

    def until(self, path: str, status: int) -> None:
        """Wait two minutes at most until the proxy answers so."""
        end = time.monotonic() + 120
        while self.asking(path, 0)() != [status]:
            assert time.monotonic() < end, f"{path} is never {status}"


def drill(shop: Shop) -> None:
    """The whole of it, with a line for each thing that holds."""

    def holds(what: str) -> None:
        print(f"  {what}", flush=True)

    shop.run("up", "--detach", "--build")
    shop.until("/readyz", 200)
    holds("from nothing to ready over TLS")
    shop.python("web", INSIDE)
    shop.manage("web", "check", "--deploy", "--fail-level", "WARNING")
    holds("no root, no capability, nothing to write, no settings in the image, no warning")
    person = ("--password-stdin",)
    shop.manage("web", "add_manager", "vesna", "Vesna Holloway", *person, typed=WORD)

    shop.run("stop", "--timeout", "1", "database")
    shop.until("/readyz", 503)
    assert shop.asking("/healthz", 0)() == [200]
    shop.run("start", "database")
    shop.until("/readyz", 200)
    holds("without its database not ready but alive, and ready again by itself")

    said = shop.manage("backup", "backup")
    [archive] = [one for one in said.split() if one.endswith(".tar.gz")]
    shop.manage("web", "add_manager", "later", "Later Person", *person, typed=WORD)
    restore = ("run", "--rm", "-T", "migrate", ".venv/bin/python", "manage.py", "restore", archive)
    assert "stop it" in shop.run(*restore, "--replace", refused=True)
    shop.run("stop", "web", "mail", "hooks", "backup")
    shop.run(*restore, "--replace")
    shop.run("up", "--detach")
    shop.until("/readyz", 200)
    shop.manage("web", "check_record")
    shop.manage("web", "check_log")
    holds("a backup, refused while others work, restored, and its record holds")

    answers = shop.asking("/sign-in/", 40)
    shop.run("up", "--detach", "--no-deps", "--force-recreate", "web")
    assert set(answers()) == {200}
    holds("nobody is turned away while the program is exchanged")

    shop.run("down")
    shop.run("up", "--detach")
    shop.until("/readyz", 200)
    again = shop.python("web", PEOPLE)
    assert again.split() == ["vesna"], again
    holds("taken down and up again, and as it was restored")


WORD: Final = "orchard-lantern-41\n"
PEOPLE: Final = textwrap.dedent(
    """
    import os; os.environ["DJANGO_SETTINGS_MODULE"] = "shop.project.settings"
    import django; django.setup()
    from shop.models import StaffMember
    print(*StaffMember.objects.values_list("username", flat=True))
    """
)


def missing() -> str:
    """Why nothing can be tried here; empty where it can."""

    def goes(*words: str) -> bool:
        try:
            return not subprocess.run(["docker", *words], capture_output=True).returncode
        except FileNotFoundError:
            return False

    if not goes("compose", "version") or not goes("info"):
        return "No container engine with Compose answers here: nothing was tried."
    for one in BASES:
        if not goes("image", "inspect", one) and not goes("pull", one):
            return f"The image {one} cannot be fetched from here: nothing was tried."
    return ""


def main() -> int:
    if why := missing():
        print(why)
        return 0
    with tempfile.TemporaryDirectory() as folder:
        shop = Shop(Path(folder))
        try:
            drill(shop)
        finally:
            shop.run("down", "--volumes", "--timeout", "5")
            SETTINGS.unlink()
    print("The containers hold.")
    return 0


if __name__ == "__main__":
    sys.exit(main())

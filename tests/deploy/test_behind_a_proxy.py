"""Signing in at the real web server behind a real reverse proxy, as in production (https, trusted proxy named): who
guesses elsewhere locks nobody out whatever they write into headers; and nothing that was sent is in what it logs.

Clients come from different addresses of the loopback network (RFC 1122, section 3.2.1.3: all of 127/8).
"""

import http.client
import json
import re
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlencode

import pytest

from tests.cast import PASSWORD
from tests.deploy.proxy import proxy_before
from tests.deploy.test_compose import command_of
from tests.deploy.test_web_server import LAY_OUT
from tests.processes import environment, free_port, manage, running, wait_for

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="only there is all of 127/8 one's own")
OWNER, ATTACKER = "127.0.0.20", "127.0.0.66"
ACCOUNTS = """
from exposure.people.models import User
from exposure.record import acting
from exposure import clock
with acting("command:tests", "tests", at=clock.now()):
    for name in ("owner", "other", "third", "fourth"):
        User.objects.create_user(name, {password!r}, full_name=name)
"""
DOORS = """
import json
from exposure.audit.models import AccessEntry
print("FOUND " + json.dumps([[e.user.name, e.kind, e.origin] for e in AccessEntry.objects.all()]))
"""


@dataclass
class Site:
    env: dict[str, str]
    log: Path
    port: int  # of the web server that trusts the proxy
    proxy: int
    untrusting: int  # of a proxy before a web server that trusts none


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """On SQLite; one worker process, because without Redis each counts by itself."""
    folder = tmp_path_factory.mktemp("proxied")
    env = environment(
        VAR_DIR=str(folder / "var"),
        SITE_URL="https://localhost",
        EMAIL_URL="smtp://127.0.0.1:9?tls=no",
        EMAIL_FROM="tests@example.org",
        SECRET_KEY="for-tests-only-0123456789-0123456789-0123456789-abcdef",
    )
    (folder / "var").mkdir()
    manage("collectstatic", "--noinput", "-v0", env=env)
    manage("shell", "-v0", "-c", LAY_OUT, env=env)
    manage("shell", "-v0", "-c", ACCOUNTS.format(password=PASSWORD), env=env)
    with ExitStack() as stack:
        ports = []
        for name, trusted in (("log", {"TRUSTED_PROXIES": "127.0.0.1"}), ("untrusting.log", {})):
            port = free_port()
            command = [*command_of("web", port), "--access-log"]
            command[command.index("--workers") + 1] = "1"
            stack.enter_context(running(command, env | trusted, folder / name))
            ports.append(port)
        for port in ports:
            wait_for(lambda port=port: Browser(port, OWNER).ask("GET", "/healthz").status == 200, why="web")
        proxies = [stack.enter_context(proxy_before(port)) for port in ports]
        yield Site(env, folder / "log", ports[0], *proxies)


@dataclass
class Browser:
    """A client at an address, with the cookies that it was given."""

    port: int
    address: str
    forged: str = ""
    cookies: dict[str, str] = field(default_factory=dict)

    def ask(
        self, method: str, path: str, body: str | bytes | None = None, **headers: str
    ) -> http.client.HTTPResponse:
        connection = http.client.HTTPConnection(
            "127.0.0.1", self.port, timeout=30, source_address=(self.address, 0)
        )
        sent = {"Host": "localhost", "Origin": "https://localhost", **headers}
        sent["Cookie"] = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        if self.forged:
            sent["X-Forwarded-For"] = self.forged
        connection.request(method, path, body, sent)
        answer = connection.getresponse()
        answer.text = answer.read().decode()
        for cookie in answer.headers.get_all("Set-Cookie") or []:
            name, _, value = cookie.partition(";")[0].partition("=")
            self.cookies[name] = value
        connection.close()
        return answer

    def send(self, path: str, fields: dict[str, str]) -> http.client.HTTPResponse:
        form = self.ask("GET", path).text
        token = re.search(r'name="csrfmiddlewaretoken" value="(\w+)"', form)[1]
        body = urlencode({"csrfmiddlewaretoken": token, **fields})
        return self.ask("POST", path, body, **{"Content-Type": "application/x-www-form-urlencoded"})

    def sign_in(self, name: str, password: str) -> http.client.HTTPResponse:
        return self.send("/account/login/", {"login": name, "password": password})


def doors(site: Site) -> list[list[str]]:
    printed = manage("shell", "-v0", "-c", DOORS, env=site.env).stdout
    return json.loads(re.search(r"FOUND (.*)", printed)[1])


def test_who_guesses_elsewhere_locks_nobody_out_and_is_named_in_the_access_log(site):
    attacker = Browser(site.proxy, ATTACKER)
    got = [attacker.sign_in("owner", "wrong").status for _try in range(8)]
    assert got == [200] * 5 + [429] * 3
    refused = attacker.sign_in("owner", PASSWORD)
    assert refused.status == 429, "not even with the right one"
    assert 0 < int(refused.headers["Retry-After"]) <= 300
    assert Browser(site.proxy, OWNER).sign_in("owner", PASSWORD).status == 302
    entries = doors(site)
    assert [entry for entry in entries if entry[1] == "refused"] == [
        ["owner", "refused", f"{ATTACKER} /account/login/"]
    ] * 5
    assert ["owner", "signed_in", f"{OWNER} /account/login/"] in entries


def test_a_forged_header_locks_nobody_out_and_buys_no_tries(site):
    got = [Browser(site.proxy, ATTACKER, forged=OWNER).sign_in("other", "wrong").status for _try in range(7)]
    assert got == [200] * 5 + [429] * 2
    other_names = Browser(site.proxy, ATTACKER, forged="127.0.0.99, 203.0.113.5").sign_in("other", "wrong")
    assert other_names.status == 429, "the proxy's own entry is what counts"
    assert Browser(site.proxy, OWNER).sign_in("other", PASSWORD).status == 302


def test_ones_own_wrong_tries_are_limited_and_the_wait_is_said(site):
    owner = Browser(site.proxy, OWNER)
    got = [owner.sign_in("third", "wrong") for _try in range(6)]
    assert [answer.status for answer in got] == [200] * 5 + [429]
    left = int(got[-1].headers["Retry-After"])
    assert 200 <= left <= 300, "of the five minutes, what the six tries took"
    assert f"Wait {-(-left // 60)} minutes" in got[-1].text


def test_without_a_trusted_proxy_the_header_counts_for_nothing(site):
    for number in range(5):
        forged = f"203.0.113.{number}"
        assert Browser(site.untrusting, ATTACKER, forged=forged).sign_in("fourth", "wrong").status == 200
    assert Browser(site.untrusting, ATTACKER, forged="203.0.113.200").sign_in("fourth", "wrong").status == 429
    peer = [entry[2] for entry in doors(site) if entry[0] == "fourth"]
    assert set(peer) == {"127.0.0.1 /account/login/"}, "everybody is the proxy then; exposure.W003 says so"


def test_whoever_reaches_the_web_server_past_the_proxy_cannot_name_an_address(site):
    """From an address that is no trusted proxy's the header is nobody's word; and https is not believed either."""
    past = Browser(site.port, ATTACKER, forged=OWNER)
    assert past.ask("GET", "/account/login/").status == 301


def test_what_was_typed_is_not_in_what_the_web_server_logs(site):
    """Passwords, names, keys, links and texts, in the bodies and headers of what is taken, refused and broken."""
    planted = [
        f"Zq{what}9f3a" for what in ("password", "name", "key", "number", "body", "text", "cookie", "query")
    ]
    password, name, key, number, body, text, cookie, query = planted
    browser = Browser(site.proxy, OWNER)
    browser.sign_in(name, password)
    browser.sign_in("owner", password)
    json_headers = {"Content-Type": "application/json", "Authorization": f"Bearer {key}"}
    for raw in (json.dumps({"worker": number, "narrative": body}), "{" + body, body * 100_000):
        browser.ask("POST", "/api/v1/breaches/", raw, **json_headers)
    browser.ask(
        "POST", "/hooks/text/reply", json.dumps({"text": text, "from": number}), **{"X-Signature": key}
    )
    browser.ask("POST", "/violations", json.dumps({"csp-report": {"document-uri": text}}))
    browser.cookies["__Host-session"] = cookie
    browser.ask("GET", "/monitoring/")
    browser.ask("GET", f"/healthz?find={query}", Referer=f"https://localhost/{text}")
    log = site.log.read_text()
    assert "/account/login/" in log, "the access log is written"
    assert [word for word in planted if word in log] == []

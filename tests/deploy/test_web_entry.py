"""config.web turns a request of the web server into what Django reads (PEP 3333), and the answer back."""

import asyncio
import io
from concurrent.futures import ThreadPoolExecutor
from types import SimpleNamespace

import pytest

from config import web


class Headers:
    """As the web server hands them over: lower-case names, each perhaps more than once."""

    def __init__(self, *pairs):
        self.pairs = pairs

    def keys(self):
        return list(dict(self.pairs))

    def get(self, name, default=None):
        return dict(self.pairs).get(name, default)

    def get_all(self, name):
        return [value for key, value in self.pairs if key == name]


class Protocol:
    """Gives the pieces of a body, each after a pause, and keeps the answer."""

    def __init__(self, *pieces, pause=0.0):
        self.pieces, self.pause, self.answer = pieces, pause, None

    async def __aiter__(self):
        for piece in self.pieces:
            await asyncio.sleep(self.pause)
            yield piece

    def response_str(self, status, headers, body):
        self.answer = (status, dict(headers), body)

    def response_bytes(self, status, headers, body):
        self.answer = (status, dict(headers), body)


def scope(*headers, **changes):
    fields = {
        "proto": "http", "http_version": "1.1", "method": "POST", "path": "/caf%C3%A9/%2Fx", "query_string": "a=%20",
        "server": "127.0.0.1:8000", "client": "[2001:db8::1]:5000", "scheme": "http", "headers": Headers(*headers),
    }  # fmt: skip
    return SimpleNamespace(**{**fields, **changes})


def answered(protocol, *headers, **changes):
    """In a thread of its own: in this one a browser's event loop may still run."""
    with ThreadPoolExecutor(1) as alone:
        alone.submit(asyncio.run, web.application(scope(*headers, **changes), protocol)).result()
    return protocol.answer


def test_path_client_and_headers_are_read_as_pep_3333_has_them():
    headers = [
        ("host", "localhost"), ("content-type", "text/plain"), ("x-forwarded-for", "192.0.2.1"), ("cookie", "a=1"),
        ("x-forwarded-for", "192.0.2.2"), ("cookie", "b=2"), ("x_forwarded_for", "198.51.100.1"),
    ]  # fmt: skip
    read = web.environment(scope(*headers), io.BytesIO(b"abc"), 3)
    assert read["PATH_INFO"].encode("latin-1").decode() == "/café//x"
    assert (read["REMOTE_ADDR"], read["SERVER_NAME"], read["SERVER_PORT"]) == (
        "2001:db8::1",
        "127.0.0.1",
        "8000",
    )
    assert (read["CONTENT_TYPE"], read["CONTENT_LENGTH"], read["HTTP_HOST"]) == (
        "text/plain",
        "3",
        "localhost",
    )
    assert read["HTTP_COOKIE"] == "a=1; b=2"
    assert read["HTTP_X_FORWARDED_FOR"] == "192.0.2.1,192.0.2.2", "and not the one with underscores"


def test_django_gets_the_whole_body_and_the_answer_goes_out(monkeypatch):
    closed = []

    class Answer(list):
        def close(self):
            closed.append(True)

    def app(environ, start_response):
        start_response("201 Created", [("x-kind", "test")])
        return Answer([environ["wsgi.input"].read(), b"!"])

    monkeypatch.setattr(web, "django", app)
    protocol = Protocol(b"ab", b"c")
    assert answered(protocol, ("content-length", "3")) == (201, {"x-kind": "test"}, b"abc!")
    assert closed == [True]


def test_who_takes_too_long_is_answered_without_django(monkeypatch):
    monkeypatch.setattr(web, "BODY_WITHIN", 0.05)
    monkeypatch.setattr(web, "django", None)
    status, headers, _ = answered(Protocol(b"a", b"b", pause=0.04), ("content-length", "2"))
    assert (status, headers["connection"]) == (408, "close")


@pytest.mark.parametrize("pieces", [[b"ab"], [], [b"ab", b"cd"]])
def test_a_body_of_another_length_than_stated_is_refused(monkeypatch, pieces):
    monkeypatch.setattr(web, "django", None)
    assert answered(Protocol(*pieces), ("content-length", "3"))[0] == 400


def test_a_body_that_is_too_long_is_not_read_to_its_end(monkeypatch):
    monkeypatch.setattr(web, "LONGEST_BODY", 3)
    monkeypatch.setattr(web, "django", None)

    def pieces():
        yield from (b"ab", b"cd")
        raise AssertionError("read on")

    protocol = Protocol()
    protocol.pieces = pieces()
    assert answered(protocol, ("content-length", "6"))[0] == 413

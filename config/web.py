"""The web server's entry point: a request's body is awaited without a thread, then Django answers in one of a few.

Were a thread held from the first byte on, as many slow senders as there are threads would stop everybody. RSGI is
the web server's own asynchronous interface; Django is called through WSGI (PEP 3333).
"""

import asyncio
import os
import sys
import tempfile
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import IO, Any
from urllib.parse import unquote_to_bytes

from exposure.management.supervise import end_with_web_server

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
end_with_web_server()

from config.wsgi import application as django  # noqa: E402  (a worker first sees to it that it can be ended)

THREADS = 8  # per worker process; each keeps a database connection
BODY_WITHIN = 60.0  # seconds for a whole body
IN_MEMORY = 64 * 1024  # bytes; what is longer waits in a file
LONGEST_BODY = 16 * 1024 * 1024  # bytes; Django's own limits are lower

threads = ThreadPoolExecutor(THREADS, thread_name_prefix="request")


async def application(scope: Any, protocol: Any) -> None:
    """One request: `scope` and `protocol` as in the web server's RSGI specification, version 1."""
    stated = scope.headers.get("content-length")
    if stated is None and scope.headers.get("transfer-encoding"):
        refuse(protocol, 411, "State the length of the body.")
        return
    with tempfile.SpooledTemporaryFile(IN_MEMORY) as body:
        try:
            length = await asyncio.wait_for(receive(protocol, body), BODY_WITHIN)
        except TimeoutError:
            refuse(protocol, 408, "The body came too slowly.")
            return
        if length > LONGEST_BODY:
            refuse(protocol, 413, f"At most {LONGEST_BODY} bytes are taken.")
            return
        if length != int(stated or 0):
            refuse(
                protocol, 400, "The body ended early."
            )  # half of one could say something else than the whole
            return
        environ = environment(scope, body, length)
        answer = await asyncio.get_running_loop().run_in_executor(threads, respond, django, environ)
    protocol.response_bytes(*answer)


def refuse(protocol: Any, status: int, why: str) -> None:
    """Answer without Django, and be done with the connection."""
    protocol.response_str(status, [("content-type", "text/plain"), ("connection", "close")], why)


async def receive(protocol: Any, body: IO[bytes]) -> int:
    """Collect the body and return how many bytes came; stops as soon as they are more than LONGEST_BODY."""
    length = 0
    async for piece in protocol:
        length += len(piece)
        if length > LONGEST_BODY:
            break
        body.write(piece)
    body.seek(0)
    return length


def environment(scope: Any, body: IO[bytes], length: int) -> dict[str, Any]:
    """The request as PEP 3333 has it. Headers with an underscore are left out: they would pass for others."""
    host, _, port = scope.server.rpartition(":")
    environ: dict[str, Any] = {
        "REQUEST_METHOD": scope.method,
        "SCRIPT_NAME": "",
        "PATH_INFO": unquote_to_bytes(scope.path).decode("latin-1"),
        "QUERY_STRING": scope.query_string,
        "SERVER_NAME": host,
        "SERVER_PORT": port,
        "SERVER_PROTOCOL": f"HTTP/{scope.http_version}",
        "REMOTE_ADDR": scope.client.rpartition(":")[0].strip("[]"),
        "CONTENT_LENGTH": str(length),
        "wsgi.version": (1, 0),
        "wsgi.url_scheme": scope.scheme,
        "wsgi.input": body,
        "wsgi.errors": sys.stderr,
        "wsgi.multithread": True,
        "wsgi.multiprocess": True,
        "wsgi.run_once": False,
    }
    for name in scope.headers.keys():  # noqa: SIM118  (not a dict)
        if "_" in name or name in ("content-length", "transfer-encoding"):
            continue
        key = "CONTENT_TYPE" if name == "content-type" else "HTTP_" + name.upper().replace("-", "_")
        environ[key] = ("; " if name == "cookie" else ",").join(scope.headers.get_all(name))
    return environ


def respond(
    wsgi: Callable[..., Iterable[bytes]], environ: dict[str, Any]
) -> tuple[int, list[tuple[str, str]], bytes]:
    """Status, headers and body of the answer; runs in a thread."""
    begun: list[Any] = []

    def start_response(status: str, headers: list[tuple[str, str]], error: Any = None) -> None:
        begun[:] = [int(status.split(" ", 1)[0]), headers]

    pieces = wsgi(environ, start_response)
    try:
        content = b"".join(pieces)
    finally:
        if hasattr(pieces, "close"):
            pieces.close()
    return begun[0], begun[1], content

"""Gateways on this machine, which behave as the test says: real sockets, bounded time."""

import socket
import struct
import threading
from collections.abc import Callable
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


class Gateway(ThreadingHTTPServer):
    """Keeps what it is sent; `answer(handler)` then does what the test wants, a plain 202 without one."""

    daemon_threads = True

    def __init__(self, answer: Callable[[BaseHTTPRequestHandler], None] | None = None) -> None:
        super().__init__(("127.0.0.1", 0), Handler)
        self.answer = answer or status(202)
        self.requests: list[tuple[str, dict[str, str], bytes]] = []

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_port}"

    def handle_error(self, request, client_address):
        """Who hangs up before the answer is what some tests are about."""


class Handler(BaseHTTPRequestHandler):
    server: Gateway

    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        headers = {name.lower(): value for name, value in self.headers.items()}
        self.server.requests.append((self.path, headers, body))
        self.server.answer(self)

    def do_GET(self):
        self.server.requests.append(("GET " + self.path, {}, b""))
        self.send_error(404)

    def log_message(self, *args):
        """Nothing."""


def status(code, **headers):
    """Answers with that status."""

    def answer(handler):
        handler.send_response(code)
        for name, value in headers.items():
            handler.send_header(name.replace("_", "-"), value)
        handler.send_header("Content-Length", "0")
        handler.end_headers()

    return answer


def reset(handler):
    """Taken, and the connection is cut before anything is said."""
    handler.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    handler.connection.close()


def reset_after(code):
    """Says its status, promises a long body and cuts the connection."""

    def answer(handler):
        handler.send_response(code)
        handler.send_header("Content-Length", "100000")
        handler.end_headers()
        handler.wfile.flush()
        reset(handler)

    return answer


def endless(handler):
    """Says 200, and does not stop."""
    handler.send_response(200)
    handler.end_headers()
    for _piece in range(20_000):
        handler.wfile.write(b"x" * 65536)  # until the other side has gone: it raises then


def silent_for(seconds, over):
    """Says nothing until the test is over."""

    def answer(handler):
        over.wait(seconds)

    return answer


def garbage(handler):
    """No HTTP at all."""
    handler.wfile.write(b"\x00\x01\x02 nothing of the kind\r\n\r\n")


@contextmanager
def serving(answer=None):
    gateway = Gateway(answer)
    thread = threading.Thread(target=gateway.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield gateway
    finally:
        gateway.shutdown()
        gateway.server_close()


def nobody_listens():
    """An address at which nothing answers."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return f"http://127.0.0.1:{free.getsockname()[1]}"

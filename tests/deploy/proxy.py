"""A reverse proxy as operators put one before the service: it says by which scheme it was reached, and adds the address
of whoever reached it to X-Forwarded-For, behind whatever that client wrote there itself."""

import http.client
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread

OF_ONE_CONNECTION = {"connection", "keep-alive", "transfer-encoding", "upgrade"}  # RFC 9110, section 7.6.1


class Passing(BaseHTTPRequestHandler):
    """One request, passed on to `upstream` and its answer back."""

    upstream: int

    def pass_on(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
        headers = {
            name: value
            for name, value in self.headers.items()
            if name.lower() not in OF_ONE_CONNECTION | {"x-forwarded-for", "x-forwarded-proto"}
        }
        before = self.headers.get_all("X-Forwarded-For") or []
        headers["X-Forwarded-For"] = ", ".join([*before, self.client_address[0]])
        headers["X-Forwarded-Proto"] = "https"
        connection = http.client.HTTPConnection("127.0.0.1", self.upstream, timeout=30)
        try:
            connection.request(self.command, self.path, body, headers)
            answer = connection.getresponse()
            content = answer.read()
        finally:
            connection.close()
        self.send_response_only(answer.status)
        for name, value in answer.getheaders():
            if name.lower() not in OF_ONE_CONNECTION | {"content-length"}:
                self.send_header(name, value)
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        self.wfile.write(content)

    do_GET = do_POST = pass_on

    def log_message(self, *_anything: object) -> None:
        """Says nothing."""


@contextmanager
def proxy_before(upstream: int) -> Iterator[int]:
    """Its port, for the time of a block."""
    handler = type("PassingTo", (Passing,), {"upstream": upstream})
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        server.server_close()

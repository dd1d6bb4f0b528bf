"""One POST to a gateway that speaks HTTP: never a redirect followed, no proxy of the environment, nothing read of the
answer but its status. The standard library does all of that; the system's certificates are trusted."""

from collections.abc import Mapping
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from urllib.parse import urlsplit

from exposure.remind.channels.refusal import Refused

SECONDS = 10  # of silence; how long all of it may take is the sending process's to say
LATER = frozenset({408, 425, 429})  # too slow, too early, too many: RFC 9110, RFC 8470, RFC 6585


def post(url: str, *, headers: Mapping[str, str], body: bytes) -> int:
    """The status of the answer. Raises Refused, not permanent, where none came."""
    parts = urlsplit(url)
    connect = HTTPSConnection if parts.scheme == "https" else HTTPConnection
    connection = connect(parts.hostname or "", parts.port, timeout=SECONDS)
    try:
        target = f"{parts.path or '/'}?{parts.query}" if parts.query else parts.path or "/"
        connection.request("POST", target, body, dict(headers))
        return connection.getresponse().status
    except (OSError, HTTPException) as error:
        raise Refused(type(error).__name__, permanent=False) from error
    finally:
        connection.close()


def refuse_unless_taken(status: int) -> None:
    """Raises Refused for every status but 2xx; permanent where the same request would be answered alike."""
    if 200 <= status < 300:
        return
    raise Refused(f"HTTP {status}", permanent=status not in LATER and status < 500)

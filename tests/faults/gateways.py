"""A mail gateway on this machine that behaves as badly as it is told to (RFC 5321 is what it departs from)."""

import contextlib
import re
import socket
import struct
import threading
from collections import Counter
from collections.abc import Callable

RESET = struct.pack("ii", 1, 0)  # SO_LINGER: the connection is cut without a farewell
DRIP = 0.15  # seconds between two bytes


class Gateway:
    """`received` counts what it has got whole, by Message-ID, whatever it says about it."""

    def __init__(self) -> None:
        self.manner = "takes"
        self.received: Counter[str] = Counter()
        self.over = threading.Event()
        self.listening = socket.create_server(("127.0.0.1", 0))
        self.port = self.listening.getsockname()[1]
        threading.Thread(target=self._listen, daemon=True).start()

    def end(self) -> None:
        self.over.set()
        self.listening.close()

    def _listen(self) -> None:
        while not self.over.is_set():
            with contextlib.suppress(OSError):
                connection, _peer = self.listening.accept()
                threading.Thread(target=self._serve, args=(connection, self.manner), daemon=True).start()

    def _serve(self, connection: socket.socket, manner: str) -> None:
        with contextlib.suppress(OSError, ValueError), connection:
            self._converse(connection, manner)

    def _converse(self, connection: socket.socket, manner: str) -> None:
        lines = connection.makefile("rb")

        def say(reply: str) -> None:
            connection.sendall(reply.encode() + b"\r\n")

        if not self._at("greeting", manner, connection):
            return None
        say("421 not now" if manner == "421 greeting" else "220 gateway.test")
        while line := lines.readline():
            verb = line.split()[0].upper().decode()
            if verb == "DATA":
                say("354 go on")
                text = b"".join(iter(lines.readline, b".\r\n")).decode()
                if manner == "554 data":
                    say("554 refused")
                    continue
                self.received[re.search(r"Message-ID: <(\S+)@", text).group(1)] += 1
                if not self._at("data", manner, connection):
                    return None
                say("250 taken")
                if manner == "resets after yes":
                    return self._reset(connection)
            elif (verb == "RCPT" and manner[0] == "4") or (verb == "RCPT" and manner == "550 recipient"):
                say(manner)
            elif verb == "QUIT":
                return say("221 bye")
            else:
                self.over.wait(0.2 if manner == "slow" else 0)
                say("250 yes")
        return None

    def _at(self, moment: str, manner: str, connection: socket.socket) -> bool:
        """Whether it goes on after this moment of the conversation."""
        misbehaving: dict[str, Callable[[], object]] = {
            f"drips at {moment}": lambda: self._drip(connection),
            f"hangs at {moment}": lambda: self.over.wait(60),
            f"resets at {moment}": lambda: self._reset(connection),
        }
        if manner in misbehaving:
            misbehaving[manner]()
            return False
        return True

    def _drip(self, connection: socket.socket) -> None:
        """One byte and another, of a reply that never ends."""
        while not self.over.wait(DRIP):
            connection.sendall(b"2")

    def _reset(self, connection: socket.socket) -> None:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)
        connection.close()

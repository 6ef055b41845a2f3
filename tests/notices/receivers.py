"""Receivers on loopback as they stand outside: an https server under a certificate of its own authority, a mail server."""

from __future__ import annotations

import json
import socket
import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.message import EmailMessage, Message
from email.parser import BytesParser
from email.policy import default
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session
from standardwebhooks import Webhook as Verifier

from server.kit.outward import Outward

HOST = "hooks.example.com"


@dataclass(frozen=True)
class Arrived:
    path: str
    headers: dict[str, str]
    body: bytes

    @property
    def id(self) -> str:
        return self.headers["webhook-id"]

    def checked(self, secret: str) -> Any:
        """The event, its signature checked by the library of the standard. Raises where it does not hold."""
        return Verifier(secret).verify(self.body, self.headers)

    @property
    def told(self) -> dict[str, Any]:
        return dict(json.loads(self.body))


@dataclass
class Receiver:
    """What arrived, and how it is answered: a status, a pause before it, the bytes of the answer. `waits`: hangs up only
    when the test is over."""

    authority: trustme.CA
    port: int = 0
    statuses: list[int] = field(default_factory=list)
    pause_s: float = 0.0
    headers: dict[str, str] = field(default_factory=dict)
    endless: bool = False
    arrived: list[Arrived] = field(default_factory=list)
    looked_up: list[str] = field(default_factory=list)
    over: threading.Event = field(default_factory=threading.Event)

    @property
    def url(self) -> str:
        return f"https://{HOST}:{self.port}/archproof?key=1"

    def trust(self) -> ssl.SSLContext:
        context = ssl.create_default_context()
        self.authority.configure_trust(context)
        return context

    def outward(self, *addresses: str) -> Outward:
        """A way out on which the host's name stands for loopback, and loopback alone is allowed."""

        def resolve(host: str, port: int) -> tuple[str, ...]:
            self.looked_up.append(host)
            return addresses or ("127.0.0.1",)

        return Outward(resolve, lambda address: address.startswith("127."), self.trust)


@contextmanager
def receiving(name: str = HOST) -> Iterator[Receiver]:
    """An https server on loopback whose certificate is for that name."""
    receiver = Receiver(trustme.CA())
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    receiver.authority.issue_cert(name).configure_cert(context)
    server = ThreadingHTTPServer(("127.0.0.1", 0), _answering(receiver))
    server.daemon_threads = True
    server.socket = context.wrap_socket(server.socket, server_side=True, do_handshake_on_connect=False)
    receiver.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield receiver
    finally:
        receiver.over.set()
        server.shutdown()
        server.server_close()
        thread.join(10)


def _answering(receiver: Receiver) -> type[BaseHTTPRequestHandler]:
    class Answering(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            headers = {name.lower(): value for name, value in self.headers.items()}
            receiver.arrived.append(Arrived(self.path, headers, body))
            receiver.over.wait(receiver.pause_s)
            self.send_response(receiver.statuses.pop(0) if receiver.statuses else 204)
            for header, value in receiver.headers.items():
                self.send_header(header, value)
            self.end_headers()
            try:
                while receiver.endless and not receiver.over.is_set():
                    self.wfile.write(b"x" * 65536)
            except OSError:
                return

        def log_message(self, *_: object) -> None:
            """Says nothing."""

    return Answering


@dataclass
class PostOffice:
    """A mail server that keeps what it takes. `answers`: what it says to the next receivers and mails, else that it is
    taken."""

    to_receiver: list[str] = field(default_factory=list)
    to_mail: list[str] = field(default_factory=list)
    taken: list[EmailMessage] = field(default_factory=list)
    envelopes: list[Envelope] = field(default_factory=list)
    port: int = 0

    async def handle_RCPT(  # noqa: N802 - the server’s own name for it
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        answer = self.to_receiver.pop(0) if self.to_receiver else "250 OK"
        if answer.startswith("250"):
            envelope.rcpt_tos.append(address)
        return answer

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        answer = self.to_mail.pop(0) if self.to_mail else "250 OK"
        if answer.startswith("250"):
            assert isinstance(envelope.content, bytes)
            self.taken.append(BytesParser(_class=EmailMessage, policy=default).parsebytes(envelope.content))
            self.envelopes.append(envelope)
        return answer

    def wait_for(self, count: int, seconds: float = 60.0) -> list[EmailMessage]:
        """The mails, once there are so many."""
        until = time.monotonic() + seconds
        while len(self.taken) < count:
            assert time.monotonic() < until, f"{len(self.taken)} of {count} mails"
            time.sleep(0.02)
        return self.taken


@contextmanager
def post_office(address: str = "127.0.0.1", **more: Any) -> Iterator[PostOffice]:
    """A mail server on loopback; `more`: how it is set up otherwise."""
    with socket.socket() as probe:
        probe.bind((address, 0))
        office = PostOffice(port=probe.getsockname()[1])
    controller = Controller(office, hostname=address, port=office.port, **more)
    controller.start()
    try:
        yield office
    finally:
        controller.stop()


def text_of(message: Message) -> str:
    """The plain text of a mail."""
    return str(message.get_payload(decode=True).decode())  # type: ignore[union-attr]

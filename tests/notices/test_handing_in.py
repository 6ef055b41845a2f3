"""How mail is handed in: under TLS wherever it leaves the machine, under a certificate that is trusted, with a password.

127.0.0.2 stands for a server elsewhere: only the usual names of loopback are let off TLS.
"""

from __future__ import annotations

import ssl
import sys
from collections.abc import Iterator
from dataclasses import replace
from email.message import EmailMessage

import pytest
import trustme
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

from server.kit.mail_server import MailServer, mail_server_of
from server.notices.letters import Letter, hand_in
from server.notices.outcome import Came
from tests.notices.receivers import PostOffice, post_office

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="uses 127.0.0.2")
ELSEWHERE = "127.0.0.2"


def letter() -> Letter:
    message = EmailMessage()
    message["From"], message["To"], message["Subject"] = "p@lab.example", "a@weir.example", "A case came back"
    message.set_content("Open it.\n")
    return Letter(message, "p@lab.example", "a@weir.example")


@pytest.fixture
def authority() -> trustme.CA:
    return trustme.CA()


@pytest.fixture
def encrypted(authority: trustme.CA) -> Iterator[PostOffice]:
    """A server elsewhere that takes mail under STARTTLS alone."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert(ELSEWHERE).configure_cert(context)
    with post_office(ELSEWHERE, tls_context=context, require_starttls=True) as office:
        yield office


@pytest.fixture
def is_trusted(authority: trustme.CA, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The machine trusts the server's authority."""
    with authority.cert_pem.tempfile() as path:
        monkeypatch.setenv("SSL_CERT_FILE", path)
        yield


def test_a_server_elsewhere_without_tls_gets_nothing() -> None:
    with post_office(ELSEWHERE) as office:
        outcome = hand_in(mail_server_of(f"smtp://{ELSEWHERE}:{office.port}"), letter())
        assert office.taken == []
    assert (outcome.came, outcome.says) == (Came.AGAIN, "No connection to the mail server, or it broke off.")


def test_nor_one_whose_certificate_nobody_trusts(encrypted: PostOffice) -> None:
    outcome = hand_in(mail_server_of(f"smtp://{ELSEWHERE}:{encrypted.port}"), letter())
    assert outcome.came is Came.AGAIN
    assert encrypted.taken == []


@pytest.mark.usefixtures("is_trusted")
def test_one_that_is_trusted_takes_it_under_tls(encrypted: PostOffice) -> None:
    outcome = hand_in(mail_server_of(f"smtp://{ELSEWHERE}:{encrypted.port}"), letter())
    assert outcome.came is Came.SENT, outcome.says
    assert len(encrypted.taken) == 1


@pytest.mark.parametrize(("password", "came"), [("right", Came.SENT), ("wrong", Came.AGAIN)])
def test_a_name_and_a_password(password: str, came: Came) -> None:
    def check(
        server: SMTP, session: Session, envelope: Envelope, mechanism: str, given: LoginPassword
    ) -> AuthResult:
        return AuthResult(success=given == LoginPassword(b"post@lab", b"right"), handled=False)

    asked = {"authenticator": check, "auth_required": True, "auth_require_tls": False}
    with post_office(**asked) as office:
        server = MailServer("127.0.0.1", office.port, is_tls=False, user="post@lab", password=password)
        outcome = hand_in(server, letter())
        assert len(office.taken) == (came is Came.SENT)
    assert outcome.came is came
    assert came is Came.SENT or outcome.says == "The mail server refused the name or the password (535)."


def test_a_password_for_a_server_that_asks_for_none_is_not_the_end_of_a_mail() -> None:
    with post_office() as office:
        server = MailServer("127.0.0.1", office.port, is_tls=False, user="post", password="x")
        outcome = hand_in(server, letter())
    assert outcome.came is Came.AGAIN, outcome.says


def test_an_address_that_the_server_cannot_write_is() -> None:
    far = replace(letter(), receiver="zoë@weir.example")
    with post_office(enable_SMTPUTF8=False) as office:
        outcome = hand_in(mail_server_of(f"smtp://127.0.0.1:{office.port}"), far)
    assert (outcome.came, office.taken) == (Came.NEVER, [])


def test_a_server_that_wants_a_name_and_gets_none_is_asked_again() -> None:
    with post_office(auth_required=True, auth_require_tls=False, authenticator=lambda *_: None) as office:
        outcome = hand_in(mail_server_of(f"smtp://127.0.0.1:{office.port}"), letter())
    assert outcome.came is Came.AGAIN

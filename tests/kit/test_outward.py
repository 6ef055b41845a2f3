"""The way out against a real https server on loopback; the resolver, the permission and the trust are put in by code."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from dataclasses import replace

import pytest

from server.kit.outward import LOOK_UPS_AT_ONCE, Outward, Unreached, public_trust
from server.kit.public_address import AddressRefused, is_public
from tests.notices.receivers import HOST, Receiver, receiving


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with receiving() as made:
        yield made


def test_a_post_goes_to_the_checked_address_under_the_name(receiver: Receiver) -> None:
    assert receiver.outward().post(receiver.url, {"X-Own": "1"}, b"{}") == 204
    (arrived,) = receiver.arrived
    assert (arrived.path, arrived.body) == ("/archproof?key=1", b"{}")
    assert arrived.headers["host"] == f"{HOST}:{receiver.port}"
    assert arrived.headers["x-own"] == "1"
    assert receiver.looked_up == [HOST]


@pytest.mark.parametrize(
    "addresses",
    [
        ("10.0.0.1",),
        ("93.184.216.34", "10.0.0.1"),
        ("::ffff:127.0.0.1", "93.184.216.34"),
        ("127.0.0.1",),
        ("fe80::1%eth0",),
    ],
)
def test_a_name_that_stands_for_anything_within_walls_is_refused(
    receiver: Receiver, addresses: tuple[str, ...]
) -> None:
    outward = replace(receiver.outward(*addresses), is_allowed=is_public)
    for ask in (outward.require_public, lambda url: outward.post(url, {}, b"")):
        with pytest.raises(AddressRefused, match="not known on the public internet"):
            ask(receiver.url)
    assert receiver.arrived == []


def test_as_it_stands_in_the_portal_loopback_is_refused(receiver: Receiver) -> None:
    for url in (f"https://127.0.0.1:{receiver.port}/", f"https://[::ffff:127.0.0.1]:{receiver.port}/"):
        with pytest.raises(AddressRefused):
            Outward().post(url, {}, b"")
    pinned = Outward(resolve=lambda host, port: ("127.0.0.1",))
    with pytest.raises(AddressRefused):
        pinned.post(receiver.url, {}, b"")
    assert receiver.arrived == []


def test_a_name_is_not_looked_up_a_second_time(receiver: Receiver) -> None:
    """What a name stands for may change between the check and the connection; the connection goes where was checked."""
    answers = iter([("127.0.0.1",), ("10.0.0.1",)])
    outward = replace(receiver.outward(), resolve=lambda host, port: next(answers))
    assert outward.post(receiver.url, {}, b"") == 204
    assert next(answers) == ("10.0.0.1",)


def test_where_one_address_is_dead_the_next_is_tried(receiver: Receiver) -> None:
    assert receiver.outward("127.0.0.99", "127.0.0.1").post(receiver.url, {}, b"") == 204
    assert len(receiver.arrived) == 1


def test_a_certificate_must_be_the_names_own_and_trusted(receiver: Receiver) -> None:
    stranger = replace(receiver.outward(), trust=public_trust)
    with pytest.raises(Unreached, match="certificate"):
        stranger.post(receiver.url, {}, b"")
    with receiving("elsewhere.example.com") as other, pytest.raises(Unreached, match="certificate"):
        other.outward().post(other.url, {}, b"")
    assert receiver.arrived == other.arrived == []


def test_a_redirect_is_told_and_not_followed(receiver: Receiver) -> None:
    receiver.statuses, receiver.headers = [307], {"Location": receiver.url}
    assert receiver.outward().post(receiver.url, {}, b"") == 307
    assert len(receiver.arrived) == 1


def test_who_answers_too_late_or_not_at_all(receiver: Receiver, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("server.kit.outward.WHOLE_S", 0.5)
    receiver.pause_s = 60.0
    begun = time.monotonic()
    with pytest.raises(Unreached, match="No answer within"):
        receiver.outward().post(receiver.url, {}, b"")
    assert time.monotonic() - begun < 30.0


def test_look_ups_that_hang_are_few_and_hold_nobody_up(
    receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("server.kit.outward.WHOLE_S", 0.1)
    hanging, asked = threading.Event(), []

    def hang(host: str, port: int) -> tuple[str, ...]:
        asked.append(host)
        hanging.wait(60)
        return ("127.0.0.1",)

    slow = replace(receiver.outward(), resolve=hang)
    for _ in range(LOOK_UPS_AT_ONCE + 2):
        with pytest.raises(Unreached, match="looked up in time"):
            slow.post(receiver.url, {}, b"")
    assert len(asked) == LOOK_UPS_AT_ONCE
    hanging.set()
    monkeypatch.undo()
    assert receiver.outward().post(receiver.url, {}, b"") == 204


def test_of_an_answer_without_end_only_the_status_is_taken(receiver: Receiver) -> None:
    receiver.statuses, receiver.endless = [200], True
    assert receiver.outward().post(receiver.url, {}, b"") == 200


def test_headers_without_end_are_cut_off(receiver: Receiver) -> None:
    receiver.headers = {f"X-{n}": "x" * 60_000 for n in range(10)}
    with pytest.raises(Unreached, match="broke off"):
        receiver.outward().post(receiver.url, {}, b"")


def test_nobody_there_and_no_such_name(receiver: Receiver) -> None:
    with pytest.raises(Unreached, match="No connection"):
        receiver.outward("127.0.0.99").post(receiver.url, {}, b"")

    def unknown(host: str, port: int) -> tuple[str, ...]:
        raise OSError("name or service not known")

    outward = replace(receiver.outward(), resolve=unknown)
    with pytest.raises(Unreached, match="not known on the public internet"):
        outward.post(receiver.url, {}, b"")
    with pytest.raises(AddressRefused, match="not known on the public internet"):
        outward.require_public(receiver.url)


def test_a_proxy_of_the_environment_is_not_asked(receiver: Receiver, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("HTTPS_PROXY", "https_proxy", "ALL_PROXY"):
        monkeypatch.setenv(name, "http://127.0.0.1:9")
    assert receiver.outward().post(receiver.url, {}, b"") == 204

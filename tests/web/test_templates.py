"""The house rules of templates and static files, checked on the files themselves and on every page rendered."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from fastapi import FastAPI
from jinja2 import nodes

from server.accounts.tables import ApiToken, AuditEntry, Organisation, OrganisationKind, Person, PersonRole
from server.cases.listing import CaseFilter, CaseLine, CasePage
from server.cases.tables import CaseState
from server.notices.choices import Wanted
from server.notices.outbox import MailStanding, Trouble
from server.notices.tables import Event, Notice, NoticeState, Way, Webhook
from server.notices.webhooks import Delivered
from server.records.roles import Role
from server.rules.catalogue import RULES
from server.rules.documents import catalogue_rows
from server.web import vendor
from server.web.api.description import describe
from server.web.api.routes import router as interface
from server.web.pages.catalogue.page import rules_page, sheets_page
from server.web.pages.chair.build import Judged, Sending, chair_page
from server.web.pages.door.page import DemoAccount, JoinPage, SignInPage
from server.web.pages.failures.page import failure_page
from server.web.pages.fields import FieldView
from server.web.pages.form.build import sections_of, sites_of, values_of
from server.web.pages.form.page import FormPage
from server.web.pages.home.build import home_page
from server.web.pages.house.build import DEED_WORDS, audit_page, people_page, tokens_page
from server.web.pages.interface.page import interface_page
from server.web.pages.notices.build import notices_page, webhooks_page
from server.web.pages.parts import Room
from server.web.pages.patterns.page import ICONS, pattern_page
from server.web.pages.queue.build import queue_page
from server.web.pages.review.build import review_page
from server.web.rendering import STATIC, TEMPLATES, Page, environment, html, part_html
from tests.web.invented import NOW, case, form, frame, full_records, full_report, record, view

UTC = ZoneInfo("UTC")
MAX_LINES = 120


def organisation() -> Organisation:
    return Organisation(id="o1", kind=OrganisationKind.CLINIC, name="Weir Lane", created_at=NOW)


def person() -> Person:
    return Person(id="p1", organisation_id="o1", role=PersonRole.CLINIC, email="ada@weir.example", name="Ada Brandt", password_hash="", created_at=NOW)  # fmt: skip


def lines() -> CasePage:
    states = (
        (CaseState.COLLECTING, None),
        (CaseState.WITH_CLINIC, "return"),
        (CaseState.WITH_LAB, "look"),
        (CaseState.RELEASED, "clear"),
    )
    return CasePage(tuple(CaseLine(case(state, verdict=v), "Weir Lane") for state, v in states), "next")


def chair(*, empty: bool = False) -> Page:
    seen = (
        view()
        if empty
        else view(CaseState.COLLECTING, *full_records(), record(None, "scan_0007.stl"), rounds=2)
    )
    return chair_page(frame(), seen, Judged(None if empty else full_report(), {}, {}), Sending(1, 2), UTC)


def review() -> Page:
    seen = view(CaseState.WITH_LAB, *full_records())
    return review_page(frame(Room.DESK), seen, Judged(full_report(), {}, {}), NOW, UTC)


def form_page() -> Page:
    values, problems = values_of(form(), UTC), {"vertical.seated_mm": "Write a number, such as 62.3."}
    return FormPage(frame(), "case1", "R-1042", "/cases/case1/form", "form.case1", sections_of(values, problems, UTC), sites_of(values, {}), ("rb-60",), 1, "Saved.", "/cases/case1")  # fmt: skip


def queue() -> Page:
    return queue_page(frame(Room.DESK), lines(), CaseFilter(text="r"), counts={CaseState.WITH_LAB: 2000}, clinics=[organisation()], now=NOW, zone=UTC)  # fmt: skip


def sign_in() -> Page:
    email, password = (
        FieldView("email", "E-mail address", kind="email"),
        FieldView("password", "Password", kind="password"),
    )
    return SignInPage(
        frame(Room.DOOR),
        email,
        password,
        "/",
        "Wrong.",
        (DemoAccount("Ada", "A clinic", ("Q-1: one",), "a@b.example", "x"),),
    )


def tokens() -> Page:
    token = ApiToken(
        id="t1", person_id="p1", name="Scanner", token_digest="d", created_at=NOW, expires_at=NOW
    )
    return tokens_page(frame(Room.DESK), [token], now=NOW, zone=UTC, secret="secret")


def audit() -> Page:
    entry = AuditEntry(
        id=1, at=NOW, person_id="p1", action="case.open", object_id="case1", detail={"round": 1}
    )
    return audit_page(frame(Room.DESK), [entry], {"p1": "Ada Brandt"}, UTC)


def outbox() -> Page:
    told = notice(Way.MAIL, NoticeState.GIVEN_UP, "The mail server refused the receiver (550).")
    standing = MailStanding(2, NOW, 40, 1, (Trouble(told, "Ada Brandt", "Weir Lane"),))
    return notices_page(frame(Room.DESK), None, standing, UTC, has_server=False)


def webhooks() -> Page:
    hook = Webhook(id="w1", organisation_id="o1", url="https://hooks.example.com/in", secret="whsec_x", previous_until=NOW, made_at=NOW)  # fmt: skip
    sent = [Delivered(notice(Way.WEBHOOK, state, says), hook.url) for state in NoticeState for says in ("", "Answered 500.")]  # fmt: skip
    return webhooks_page(
        frame(Room.DESK), [hook], sent, now=NOW - timedelta(hours=1), zone=UTC, wrong="Begin with https://.", shown=hook
    )  # fmt: skip


def notice(way: Way, state: NoticeState, says: str) -> Notice:
    return Notice(id="n1", way=way, event=Event.RETURNED, at=NOW, state=state, tries=1, next_try_at=NOW, asked_at=NOW, says=says)  # fmt: skip


def any_app() -> FastAPI:
    app = FastAPI()
    app.include_router(interface)
    return app


PAGES: dict[str, Callable[[], Page]] = {
    "chair": chair,
    "chair, empty": lambda: chair(empty=True),
    "review": review,
    "form": form_page,
    "home": lambda: home_page(frame(), "Weir Lane", lines(), NOW, UTC),
    "home, empty": lambda: home_page(frame(), "Weir Lane", CasePage((), None), NOW, UTC),
    "queue": queue,
    "patterns": lambda: pattern_page(frame()),
    "rules": lambda: rules_page(frame(Room.DESK), catalogue_rows()),
    "sheets": lambda: sheets_page(frame(Room.DESK), RULES),
    "failure": lambda: failure_page(frame(Room.DOOR), 500, "", "request-1"),
    "sign in": sign_in,
    "join": lambda: JoinPage(
        frame(Room.DOOR), "/join/x", "Join", "You join.", (FieldView("name", "Your name"),), "Wrong."
    ),
    "people": lambda: people_page(
        frame(Room.DESK), [(person(), organisation())], [organisation()], self_id="p2", zone=UTC, link="x"
    ),
    "tokens": tokens,
    "audit": audit,
    "notices": lambda: notices_page(frame(), Wanted(), None, UTC, has_server=False),
    "notices, of the lab": lambda: notices_page(frame(Room.DESK), None, None, UTC, has_server=True),
    "notices, outbox": outbox,
    "webhooks": webhooks,
    "webhooks, empty": lambda: webhooks_page(frame(Room.DESK), [], [], now=NOW, zone=UTC),
    "interface": lambda: interface_page(frame(Room.DESK), "http://portal.test", describe(any_app())),
}
PARTS: dict[str, Callable[[], Page]] = {
    "chair/_live.html": chair,
    "review/_live.html": review,
    "home/_live.html": PAGES["home"],
    "queue/_live.html": queue,
    "form/_kept.html": form_page,
    "form/_form.html": form_page,
}


@pytest.mark.parametrize("name", PAGES)
def test_a_page_renders_whole_and_without_anything_inline(name: str) -> None:
    text = html(PAGES[name]())
    assert text.startswith("<!doctype html>")
    assert not re.search(r"<[^>]+\sstyle=", text)
    assert not re.search(r"<[^>]+\son[a-z]+=", text)
    assert "<style" not in text
    assert not re.search(r"<script(?![^>]*\ssrc=)", text)
    assert not re.search(r"(?:src|href|action)=\"(?:https?:)?//", text)


@pytest.mark.parametrize("name", PAGES)
def test_names_and_labels_are_whole(name: str) -> None:
    text = html(PAGES[name]())
    ids = re.findall(r"\sid=\"([^\"]+)\"", text)
    assert len(ids) == len(set(ids)), [i for i in ids if ids.count(i) > 1]
    for target in re.findall(r"(?:\sfor|aria-labelledby|aria-describedby)=\"([^\"]+)\"", text):
        assert target in ids, target
    assert len(re.findall(r"<h1[ >]", text)) >= 1
    assert len(re.findall(r"<main[ >]", text)) == 1


@pytest.mark.parametrize("part", PARTS)
def test_a_live_part_swaps_only_what_its_page_has(part: str) -> None:
    page = PARTS[part]()
    ids = set(re.findall(r"\sid=\"([^\"]+)\"", html(page)))
    targets = re.findall(r"hx-target=\"#([^\"]+)\"", part_html(page, part))
    assert targets or part == "form/_form.html"
    assert set(targets) <= ids


@pytest.mark.parametrize(
    "path", sorted(p.relative_to(TEMPLATES).as_posix() for p in TEMPLATES.rglob("*.html"))
)
def test_a_template_is_short_and_touches_only_its_page(path: str) -> None:
    source = (TEMPLATES / path).read_text("utf-8")
    assert len(source.splitlines()) <= MAX_LINES
    if path.startswith("macros/"):
        return
    tree = environment().parse(source)
    known = {"page", "loop", "frame", "caller"}
    for node in tree.find_all((nodes.For, nodes.FromImport, nodes.Assign)):
        if isinstance(node, nodes.FromImport):
            known |= {name if isinstance(name, str) else name[1] for name in node.names}
        else:
            known |= {name.name for name in node.target.find_all(nodes.Name)} | (
                {node.target.name} if isinstance(node.target, nodes.Name) else set()
            )
    given_by_the_including_one = {"field", "site"} if path.rsplit("/", 1)[-1].startswith("_") else set()
    used = {name.name for name in tree.find_all(nodes.Name) if name.ctx == "load"}
    assert used <= known | given_by_the_including_one, used - known


def test_every_icon_is_drawn_and_shown() -> None:
    drawn = set(
        re.findall(
            r"<symbol id=\"([^\"]+)\"",
            re.sub(r"<symbol [^>]*?id=", "<symbol id=", (STATIC / "icons/icons.svg").read_text()),
        )
    )
    used = {m for p in TEMPLATES.rglob("*.html") for m in re.findall(r"icon\(\"([a-z-]+)\"", p.read_text())}
    assert set(ICONS) == drawn
    assert used <= drawn


def test_what_is_vendored_is_what_was_checked() -> None:
    vendor.verify()
    listed = {file.target for file in vendor.vendored()} | {"vendor.json"}
    assert {p.name for p in vendor.VENDOR.iterdir()} == listed


def test_a_changed_vendored_file_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for file in vendor.VENDOR.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    (tmp_path / "tus.min.js").write_bytes(b"changed")
    monkeypatch.setattr(vendor, "VENDOR", tmp_path)
    with pytest.raises(vendor.VendorWrong, match=r"tus\.min\.js"):
        vendor.verify()


@pytest.mark.parametrize(
    "text", ["<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "{{ 7 * 7 }}", "' onfocus='x"]
)
def test_what_people_type_stays_text(text: str) -> None:
    seen = view(CaseState.COLLECTING, record(Role.JAW, text))
    seen.case.patient_code = text
    seen.messages[0].text = text
    shown = html(chair_page(frame(), seen, Judged(full_report(), {}, {}), Sending(1, 2), UTC))
    assert "<script>alert" not in shown
    assert "<img src=x" not in shown
    assert "49" not in shown or "{{ 7" in shown


def test_every_deed_of_the_audit_trail_has_words() -> None:
    sources = (path.read_text("utf-8") for path in (STATIC.parent / "server").rglob("*.py"))
    deeds = {deed for text in sources for deed in re.findall(r"\.audit\(\s*\"([a-z.-]+)\"", text)}
    assert deeds
    assert deeds <= set(DEED_WORDS)

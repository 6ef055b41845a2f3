"""A house whose cases are returned and released, with a mail server and an https receiver outside."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from sqlmodel import col, select

from server.accounts.work import PORTAL, reading, writing
from server.cases.lookup import case_view
from server.cases.turns import submit
from server.handoff.release import release
from server.inspection.judgements import finding_key, open_findings, report_of, waivers_of
from server.notices.outbox import ask_for_due
from server.notices.tables import Notice, Webhook
from server.notices.webhooks import register
from server.review.deciding import return_case, waive
from tests.notices.receivers import PostOffice, Receiver
from tests.portal.house import CLINIC, LAB, House, open_house, waves

PUBLIC_URL = "https://portal.example"
FROM = "portal@lab.example"
WORDS = "Canary: scan R-77 again, Mr Nightjar moved."


def with_mail(folder: Path, office: PostOffice) -> House:
    """A fresh house that hands its mail to that office."""
    return open_house(
        folder, smtp_url=f"smtp://127.0.0.1:{office.port}", mail_from=FROM, public_url=PUBLIC_URL
    )


def reaching(house: House, receiver: Receiver) -> House:
    """The same house, whose way out leads to that receiver."""
    return replace(house, portal=replace(house.portal, outward=receiver.outward()))


def with_lab(house: House) -> str:
    """A case with one record that lies with the lab, not measured yet."""
    case_id = house.case()
    house.record(case_id, waves(1, n=10))
    with writing(house.portal, house.actors[CLINIC]) as work:
        submit(work, case_id)
    return case_id


def give_back(house: House) -> str:
    """A case that has just been returned."""
    case_id = with_lab(house)
    house.waiting.jobs.clear()
    with writing(house.portal, house.actors[LAB]) as work:
        return_case(work, case_id, WORDS)
    return case_id


def let_go(house: House) -> str:
    """A case that has just been released, everything against it waived."""
    case_id = with_lab(house)
    house.work_off()
    with reading(house.portal, house.actors[LAB]) as work:
        found = report_of(work, case_view(work, case_id).round)
        assert found is not None
        keys = [finding_key(f, found) for f in open_findings(found, waivers_of(work, case_id))]
    with writing(house.portal, house.actors[LAB]) as work:
        for key in keys:
            waive(work, case_id, key, "Looked at and accepted.", has_consent=True)
        release(work, case_id)
    return case_id


def hook(house: House, receiver: Receiver, who: str = CLINIC) -> Webhook:
    """A webhook of that person's organisation."""
    return register(house.portal, house.actors[who], receiver.url)


def notices(house: House) -> list[Notice]:
    """The outbox, oldest first."""
    with reading(house.portal, PORTAL) as work:
        return list(
            work.session.exec(select(Notice).order_by(col(Notice.at), col(Notice.way), col(Notice.id)))
        )


def send(house: House) -> list[str]:
    """Runs the jobs of sending that wait; the notices they were for."""
    return [argument for name, argument in house.work_off() if name == "send-notice"]


def later(house: House, seconds: float) -> int:
    """Lets time pass and the upkeep look; how many notices it asked for."""
    house.clock.advance(seconds)
    return ask_for_due(house.portal)

"""Invented page objects in every state, for the pattern page and for tests that look at templates."""

from __future__ import annotations

from server.rules.finding import LimitApplied
from server.rules.limit import Level
from server.web.pages.chair.page import (
    ChangeView,
    FactView,
    GateView,
    MessageView,
    NumberView,
    ReasonView,
    RecordView,
    SlotView,
    StationView,
    TurnView,
)
from server.web.pages.fields import FieldView
from server.web.pages.parts import (
    BUSY_TAG,
    MISSING_TAG,
    OPTIONAL_TAG,
    SENDING_TAG,
    WAIVED_TAG,
    NoticeView,
    OptionView,
    StandingView,
    TagView,
    TimeView,
    level_tag,
)
from server.web.pages.scales import ScaleView, scale_of

UNITS = tuple(
    OptionView(v, w, v == "mm")
    for v, w in (("mm", "millimetres"), ("in", "inches"), ("unknown", "not known"))
)
TAKES = ".stl,.ply,.obj,.3mf,.zip"


def tags() -> tuple[TagView, ...]:
    levels = tuple(level_tag(level) for level in Level)
    unmeasured = TagView("not_measured", "Not measured", "none")
    return (
        *levels,
        BUSY_TAG,
        SENDING_TAG,
        MISSING_TAG,
        OPTIONAL_TAG,
        unmeasured,
        WAIVED_TAG,
        TagView("crashed", "Our fault", "crashed"),
    )


def standings() -> tuple[StandingView, ...]:
    return (
        StandingView("plain", "Nothing has been sent yet. Begin with the marks and the scans from before."),
        StandingView("busy", "Measuring two records. The verdict appears here by itself."),
        StandingView(
            "clear",
            "Nothing to rescan by what could be measured.",
            ("Not measured: where each scan body sits, the bite.",),
        ),
        StandingView("look", "Nothing must be rescanned yet; the lab will look at one thing."),
        StandingView(
            "return",
            "Before the patient leaves, redo the jaw scan: a hole of 11 mm lies behind the last body.",
        ),
    )


def notices() -> tuple[NoticeView, ...]:
    return (
        NoticeView("plain", "The case was withdrawn by the clinic."),
        NoticeView("done", "Saved."),
        NoticeView("care", "Needed in two hours."),
        NoticeView("wrong", "The file was refused: it is a web page, not a scan."),
    )


def _limit(look: float, back: float, sense: str = "upper") -> LimitApplied:
    return LimitApplied(look=look, return_=back, source="invented", sense=sense)


def scales() -> tuple[ScaleView, ...]:
    return (
        scale_of(0.06, 0.02, "mm", _limit(0.10, 0.15)),
        scale_of(0.09, 0.03, "mm", _limit(0.10, 0.15)),
        scale_of(0.21, 0.02, "mm", _limit(0.10, 0.15)),
        scale_of(7.1, 0.3, "mm", _limit(7.5, 6.0, "lower")),
        scale_of(4.0, None, "mm", _limit(3, 8)),
        scale_of(5200, None, "per 100 000", _limit(50, 500)),
        scale_of(0.95, None, "", _limit(0.9, float("inf"))),
    )


def reason(kind: str, number: int) -> ReasonView:
    tag = {"return": level_tag(Level.RETURN), "look": level_tag(Level.LOOK)}.get(kind, level_tag(Level.NOTE))
    return ReasonView(
        id=f"reason-{number}",
        kind=kind,
        tag=tag,
        title="Hole in the scan",
        about="Jaw scan with scan bodies",
        says="An opening 11.2 mm across lies inside the scan, where tissue should be.",
        scale=scale_of(11.2, 0.4, "mm", _limit(3, 8)) if kind != "note" else None,
        where="jaw.stl, near x 12.4, y -8.1, z 3.0 mm",
        remedy="Dry the area, hold the cheek away and scan over the gap again before you finish the scan.",
        slot_id="slot-jaw",
        rule="surface/hole",
        waived_words="Accepted by the lab: behind the last tooth of the bridge." if number == 9 else "",
    )


def record(kind: str) -> RecordView:
    tag = {"measuring": BUSY_TAG, "return": level_tag(Level.RETURN), "look": level_tag(Level.LOOK)}
    summary = {
        "measuring": "",
        "return": "A hole of 11.2 mm.",
        "look": "The surface is rougher than usual.",
    }.get(kind, "Nothing to rescan.")
    numbers = (
        NumberView("Triangles", "182 400"),
        NumberView("Point spacing", "0.24 mm"),
        NumberView("Roughness", "0.012 mm"),
    )
    return RecordView(
        id=f"sample-{kind}",
        kind=kind,
        tag=tag.get(kind, level_tag(Level.CLEAR)),
        file_name="lower_with_bodies.stl",
        size_words="9.1 MB",
        numbers=() if kind == "measuring" else numbers,
        summary=summary,
        reason_ids=("reason-1",) if kind == "return" else (),
        replaces_words="Replaces the file of round 1." if kind == "look" else "",
        can_replace=True,
        can_remove=kind != "look",
        units=UNITS,
        is_unit_unsure=False,
    )


JAW = "Jaw scan with scan bodies"
VACANT = SlotView(
    "sample-wanted", JAW, "The working jaw with every scan body in place.", MISSING_TAG, (), True, True, TAKES
)


FILLED = {
    "measuring": "Working jaw without scan bodies",
    "clear": "Opposing jaw",
    "look": "Relined denture, all round",
    "return": "Bite",
}


def filled_slot(kind: str) -> SlotView:
    return SlotView(
        f"sample-{kind}", FILLED[kind], "", level_tag(Level.CLEAR), (record(kind),), True, False, TAKES
    )


def slots() -> tuple[SlotView, ...]:
    extra = SlotView(
        "sample-extra",
        "Scan from before",
        "Helps to check the bite height.",
        OPTIONAL_TAG,
        (),
        False,
        True,
        TAKES,
    )
    return (extra, *(filled_slot(kind) for kind in ("measuring", "clear", "look")))


def stations() -> tuple[StationView, ...]:
    facts = (FactView("Marks, before", "62.0 mm"), FactView("Seated", "write it down", True))
    trouble, vacant = (filled_slot("return"),), (VACANT,)
    return (
        StationView(
            1, "Marks and scans from before", "Before anaesthesia.", "done", facts, (), "/cases/sample/form"
        ),
        StationView(4, "Bodies, jaw and tissue", "", "trouble", (), trouble, "/cases/sample/form"),
        StationView(6, "Denture all round", "", "open", (), vacant, "/cases/sample/form"),
    )


def gates() -> tuple[GateView, ...]:
    return (
        GateView("shut", "Markers must stay on", "Their record has not arrived."),
        GateView("hold", "Bodies must stay on", "The jaw scan is to be done again."),
        GateView(
            "may",
            "Markers may come off",
            "By what could be measured. Not measured: their fit to the jaw scan.",
        ),
    )


def moment() -> TimeView:
    return TimeView("2031-05-04T15:30:00+00:00", "4 May 2031, 15:30 UTC")


def turns() -> tuple[TurnView, ...]:
    seen = "A hole in the surface – Jaw scan with scan bodies"
    changes = (
        ChangeView("replace", "Replaced", "jaw scan with scan bodies (jaw-2.stl, before jaw-1.stl)"),
        ChangeView("minus", "Taken out", "bite scan (front.stl)"),
        ChangeView("none", "Kept", "denture scan (denture.stl), opposing jaw scan (opposing.stl)"),
        ChangeView(
            "clear",
            "Cleared",
            f"{seen}: 11.20 ± 0.40 mm before, 1.10 ± 0.40 mm now (looked at above 3 mm, returned above 8 mm)",
        ),
        ChangeView("look", "Still there", "Points far apart – Denture scan: 0.48 mm, as before"),
        ChangeView("return", "Now found", "A scan body caught on one side only – Site 34: 12 %"),
        ChangeView("none", "No longer measured", "A bite scan disagrees – Bite scan"),
    )
    returned = ChangeView("return", "Returned", "by the lab; see the messages")
    return (
        TurnView(2, "Round 2", None, BUSY_TAG, changes),
        TurnView(1, "Round 1", moment(), level_tag(Level.RETURN), (returned,)),
    )


def messages() -> tuple[MessageView, ...]:
    return (
        MessageView(
            "Lab · Imke Sorel",
            moment(),
            "The jaw scan has a hole behind the last body.\nPlease scan that part again.",
            False,
        ),
        MessageView("You", moment(), "Done; it is in round 2.", True),
    )


def fields() -> tuple[FieldView, ...]:
    arches = (OptionView("upper", "Upper jaw"), OptionView("lower", "Lower jaw", True))
    return (
        FieldView("sample.code", "Patient code", "R-1042", hint="Never a name."),
        FieldView("sample.seated", "Seated height", "62.3", "number", unit="mm"),
        FieldView(
            "sample.wrong", "Cuff height", "two", "number", "", "Write a number, such as 62.3.", "mm", True
        ),
        FieldView("sample.arch", "Working jaw", "lower", "choice", options=arches),
        FieldView("sample.unit", "Unit of the file", "mm", "select", options=UNITS),
        FieldView("sample.seen", "The bite was checked in the mouth", "yes", "check"),
        FieldView("sample.notes", "Anything else for the lab", "", "long", "No names.", is_optional=True),
    )

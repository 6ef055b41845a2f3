"""`file.personal`: the kinds of personal data that texts inside a file seem to hold; never the data."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

from server.measures.bench import RecordBench
from server.measures.measure import NotMeasured, RecordMeasure, Result
from server.metrology.readers.reading import Unreadable
from server.records.personal import PersonalKind, TextPlace, personal_kinds
from server.records.roles import MESH_ROLES, Role

MOST_TEXTS = 2_000
"""Different texts of one file that are searched: far more than exporters write, few enough to stay quick."""


class PersonalFound(BaseModel):
    """where: the part of the file, as the reader calls it (header, comment, solid, object, material, …)."""

    model_config = ConfigDict(frozen=True)

    kind: PersonalKind
    where: str


class PersonalResult(Result):
    found: tuple[PersonalFound, ...]
    n_texts: int
    n_texts_searched: int


def _search(bench: RecordBench) -> PersonalResult:
    try:
        texts = () if bench.table is not None else bench.reading.texts
    except Unreadable as refused:
        raise NotMeasured("the file could not be read", because=refused.rule) from refused
    different = list(dict.fromkeys(texts))
    found = (
        PersonalFound(kind=kind, where=text.where)
        for text in different[:MOST_TEXTS]
        for kind in personal_kinds(text.text, TextPlace.TITLE)
    )
    return PersonalResult(
        found=tuple(dict.fromkeys(found)),
        n_texts=len(different),
        n_texts_searched=min(len(different), MOST_TEXTS),
    )


PERSONAL = RecordMeasure(
    name="file.personal",
    revision=1,
    result=PersonalResult,
    roles=MESH_ROLES | {Role.MARKERS},
    compute=_search,
)

"""What a file probably is, told before anybody has said it: a role is filled in where only one is left, and a person's word
always stands."""

from __future__ import annotations

from dataclasses import dataclass

from server.accounts.work import PORTAL, reading, writing
from server.cases.changing import fill_in_role
from server.cases.tables import Case, Record
from server.inspection.child import ChildLost
from server.inspection.evidence import keep_measurements
from server.inspection.measuring import look_at_file
from server.inspection.too_heavy import Run, asked_again
from server.kit.portal import Portal
from server.measures.measure import Measurement, Status
from server.measures.reading import READING, ReadingResult
from server.measures.role import ROLE, SURE_RATIO, RoleResult
from server.metrology.likeness.look import Look
from server.records.case_form import CaseForm, OpposingDentition
from server.records.roles import Role
from server.uploads.finishing import open_blob

WORTH_NAMING_RATIO = 0.02
"""Less belief than this is not worth a person's reading."""


@dataclass(frozen=True, slots=True)
class Guess:
    """roles: what it may be, the likeliest first; empty where nothing can be said. is_sure: whether the first one is told."""

    roles: tuple[Role, ...] = ()
    is_sure: bool = False


def guess_one(portal: Portal, run: Run, record_id: str) -> None:
    """Looks at a file without a role and writes down what it probably is; does nothing where it has a role by now, or was
    looked at before."""
    with reading(portal, PORTAL) as work:
        record = work.session.get(Record, record_id)
        if record is None or record.role is not None or record.likely_roles is not None:
            return
        form = CaseForm.model_validate(work.session.get_one(Case, record.case_id).form)
    with open_blob(portal, record.sha256) as path:
        made = _looked_at(run, str(path), record)
    _keep(portal, record, guess_of(made, form.opposing_dentition), made)


def give_up_guess(portal: Portal, record_id: str) -> None:
    """Where looking broke again and again: a person says what it is, as if nothing had been tried."""
    with reading(portal, PORTAL) as work:
        record = work.session.get(Record, record_id)
    if record is not None:
        _keep(portal, record, Guess(), ())


def guess_of(made: tuple[Measurement, ...], opposing: OpposingDentition | None) -> Guess:
    """What the measurements of a file of no role say it is. opposing: the teeth of the other jaw as the form states them; of
    two jaws that look alike, that may leave one."""
    results = {m.measure: m.result for m in made if m.status is Status.MEASURED and m.result is not None}
    if READING.name in results:
        read = ReadingResult.model_validate(results[READING.name])
        if read.format in ("png", "jpeg"):
            return Guess((Role.PHOTO,), is_sure=True)
        if read.n_rows:
            return Guess((Role.MARKERS,), is_sure=True)
    if ROLE.name not in results:
        return Guess()
    seen = RoleResult.model_validate(results[ROLE.name])
    if seen.look is Look.UNTOLD:
        return Guess()
    shares = seen.without(_out_of_the_question(seen.look, opposing))
    named = tuple(share.role for share in shares if share.belief_ratio >= WORTH_NAMING_RATIO)
    return Guess(named, is_sure=shares[0].belief_ratio >= SURE_RATIO)


def _out_of_the_question(look: Look, opposing: OpposingDentition | None) -> frozenset[Role]:
    """An opposing jaw that has teeth does not come without, and the other way round."""
    if opposing is None:
        return frozenset()
    has_teeth = opposing is not OpposingDentition.EDENTULOUS
    impossible = Look.BARE_ARCH if has_teeth else Look.ARCH_WITH_TEETH
    return frozenset({Role.OPPOSING}) if look is impossible else frozenset()


def _looked_at(run: Run, path: str, record: Record) -> tuple[Measurement, ...]:
    """What a child says of a file; nothing where it is too heavy."""
    try:
        return asked_again(run, look_at_file, path, record.file_name, record.unit)
    except ChildLost:
        return ()


def _keep(portal: Portal, seen: Record, guess: Guess, made: tuple[Measurement, ...]) -> None:
    with writing(portal, PORTAL) as work:
        keep_measurements(work, made, seen.sha256)
        fill_in_role(work, seen.id, guess.roles, is_sure=guess.is_sure)

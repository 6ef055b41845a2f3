"""Phantoms to check: a mouth scanned once and spoiled many times; and what a report says that it should not."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

import numpy as np

from seed_data.phantoms.phantom import draft_work, run_stages, save_work
from seed_data.phantoms.scanner import Draft
from seed_data.phantoms.telling import truth_of
from seed_data.phantoms.truth import Expectation, PhantomTruth
from seed_data.phantoms.work import Fault, Stage, Work
from server.inspection.folder import check_folder, read_folder
from server.inspection.measuring import RecordFile, measure_case, measure_record
from server.inspection.report import Report
from server.measures.measure import Measurement
from server.records.teeth import Arch
from server.rules.finding import Finding
from server.rules.limit import Level
from tests.rules.good_set import NOW

LIGHTEST = 0.6
"""Detail at which the spacing has reached the most that phantoms have."""
LIGHT_SEEDS = {Arch.LOWER: 3, Arch.UPPER: 20}


@dataclass(frozen=True)
class ScannedMouth:
    """planned: before anything was scanned; scanned: the clean record set, complete."""

    planned: Work
    scanned: Work

    def in_random_frames(self) -> ScannedMouth:
        """The same scans, each exported in a frame of its own."""
        planned = draft_work(
            self.planned.seed,
            len(self.planned.mouth.sites),
            self.planned.mouth.arch,
            random_frames=True,
            detail=self.planned.detail,
            noise_um=None,
        )
        drafts = {
            key: replace(draft, T_file_joint=planned.frame(key)) for key, draft in self.scanned.drafts.items()
        }
        return _complete(planned, drafts)


def scanned_mouth(seed: int, *, arch: Arch | None = None, detail: float) -> ScannedMouth:
    """The clean record set of a seed."""
    planned = draft_work(seed, None, arch, random_frames=False, detail=detail, noise_um=None)
    return _complete(planned, {})


@cache
def light_mouth(arch: Arch) -> ScannedMouth:
    """One mouth of that arch, scanned once a session at the lightest detail."""
    return scanned_mouth(LIGHT_SEEDS[arch], arch=arch, detail=LIGHTEST)


def _complete(planned: Work, drafts: dict[str, Draft]) -> ScannedMouth:
    scanned = planned.copy()
    scanned.drafts |= drafts
    run_stages(scanned, [])
    return ScannedMouth(planned, scanned)


def spoiled(mouth: ScannedMouth, fault: Fault) -> Work:
    """The record set with one fault; only what the fault changes is scanned and written anew.

    Raises LookupError where the fault finds nothing to spoil in this mouth.
    """
    work = mouth.planned.copy()
    for key in _untouched(mouth, fault):
        work.drafts[key] = mouth.scanned.drafts[key]
        made = mouth.scanned.files[key]
        work.files[key].data, work.files[key].written_from = made.data, made.written_from
    run_stages(work, [fault])
    return work


def _untouched(mouth: ScannedMouth, fault: Fault) -> set[str]:
    """Records that need not be scanned anew because the fault leaves what they show, and how, as it was."""
    if fault.stage is not Stage.MOUTH:
        return set(mouth.scanned.drafts)
    trial = mouth.planned.copy()
    fault.spoil(trial, trial.dice("fault", fault.name))
    return {
        key
        for key in mouth.scanned.drafts
        if trial.subjects[key] is mouth.planned.subjects[key]
        and trial.settings[key] is mouth.planned.settings[key]
    }


@dataclass
class Remembering:
    """Runs measuring functions here, and hands in what was measured of the same content before, as the portal does."""

    made: dict[bytes, tuple[Measurement, ...]] = field(default_factory=dict)
    together: dict[str, Measurement] = field(default_factory=dict)

    def __call__(
        self, function: Callable[..., tuple[Measurement, ...]], *arguments: object
    ) -> tuple[Measurement, ...]:
        if function is measure_case:
            form, records, replaced, kept, *rest = arguments
            assert isinstance(kept, tuple)
            made = function(form, records, replaced, (*kept, *self.together.values()), *rest)
            self.together |= {m.key: m for m in made}
            return made
        if function is not measure_record or not isinstance(arguments[0], RecordFile):
            return function(*arguments)
        record, _, *rest = arguments
        digest = hashlib.sha256(Path(arguments[0].path).read_bytes()).digest()
        kept = self.made.get(digest, ())
        made = function(record, kept, *rest)
        self.made[digest] = tuple({m.key: m for m in (*kept, *made)}.values())
        return made


def checked(work: Work, folder: Path, run: Remembering) -> tuple[Report, PhantomTruth]:
    """Saves a record set, and checks it as the command does."""
    truth = truth_of(work)
    save_work(folder, work, truth)
    return check_folder(read_folder(folder), now=NOW, run=run), truth


def above_note(report: Report) -> list[Finding]:
    return [finding for finding in report.findings if finding.level.gravity > Level.NOTE.gravity]


def complaints(report: Report, expectations: tuple[Expectation, ...]) -> list[str]:
    """What the report should say and does not, and what it says above a note that no fault accounts for."""
    said = [c for expected in expectations for c in _unfulfilled(report, expected)]
    accounted = {rule for expected in expectations for rule in (expected.rule, *expected.also)}
    return said + [
        f"unasked: {finding.level.value} {finding.rule} {finding.records} {finding.sites}: {finding.says}"
        for finding in above_note(report)
        if finding.rule not in accounted and finding.because not in accounted
    ]


def _unfulfilled(report: Report, expected: Expectation) -> Iterator[str]:
    of_rule = [f for f in report.findings if f.rule == expected.rule]
    about = [f for f in of_rule if expected.record is None or expected.record in f.records]
    gravest = max(about, key=lambda f: f.level.gravity, default=None)
    if gravest is None or gravest.level is not expected.level:
        yield f"{expected.rule}: {gravest and gravest.level.value} instead of {expected.level.value}"
        return
    for other in of_rule:
        if other not in about and other.level.gravity > Level.NOTE.gravity:
            yield f"{expected.rule} also speaks of {other.records}: {other.says}"
    told = {site for f in about if f.level.gravity > Level.CLEAR.gravity for site in f.site_index}
    if expected.site_index and told != set(expected.site_index):
        yield f"{expected.rule} names sites {sorted(told)} instead of {expected.site_index}"
    yield from _misjudged(gravest, expected)


def _misjudged(found: Finding, expected: Expectation) -> Iterator[str]:
    if expected.value is not None and expected.value_within is not None:
        spread = expected.value_within + (found.u95 or 0.0)
        if found.value is None or abs(found.value - expected.value) > spread:
            yield f"{found.rule} measures {found.value} instead of {expected.value:.4g}"
        if expected.unit and found.unit != expected.unit:
            yield f"{found.rule} measures in {found.unit} instead of {expected.unit}"
    if expected.place_mm is not None and expected.place_within_mm is not None:
        places = [np.array(p.point_mm) for p in found.where if p.record == expected.record]
        off_mm = min((float(np.linalg.norm(p - expected.place_mm)) for p in places), default=np.inf)
        if off_mm > expected.place_within_mm:
            yield f"{found.rule} points {off_mm:.1f} mm beside the place"

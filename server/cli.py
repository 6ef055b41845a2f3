"""The command `archproof`."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import typer
from pydantic import ValidationError
from typer.core import TyperGroup

from server.errors import ArchproofError, words_of
from server.inspection.child import ChildLimits, ChildPool
from server.inspection.folder import (
    FolderUnusable,
    RecordSet,
    body_entries,
    check_folder,
    inspect_folder,
    read_folder,
    write_pictures,
    write_report,
    write_whole,
)
from server.inspection.report import Report
from server.inspection.told import report_lines
from server.kit.settings import Settings
from server.rules.catalogue import RULES
from server.rules.documents import catalogue_markdown, catalogue_rows
from server.rules.sheet import ToleranceSheet, read_sheet
from server.rules.wording import count_words
from server.version import SOFTWARE

UNUSABLE = 30
"""Exit code where the folder, form or sheet cannot be used: no verdict was given."""

BROKEN = 1
"""Exit code where the fault is ours."""

CHILDREN = 2
LIMITS = ChildLimits(memory_bytes=4 * 1024**3, wall_s=300.0, cpu_s=600.0)
"""What measuring one record may take before the file counts as too heavy."""

ELSEWHERE = {"phantom": "seed_data.phantoms.command", "send": "server.sending.command"}
"""Commands that lie in a module of their own, which is loaded only for them: a check should not wait for it."""


class _Commands(TyperGroup):
    """The commands here and those that lie elsewhere."""

    def list_commands(self, ctx: Any) -> list[str]:
        return [*super().list_commands(ctx), *ELSEWHERE]

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        if cmd_name not in ELSEWHERE:
            return super().get_command(ctx, cmd_name)
        alone = typer.Typer(add_completion=False, pretty_exceptions_show_locals=False)
        alone.command(cmd_name)(getattr(import_module(ELSEWHERE[cmd_name]), cmd_name))
        return typer.main.get_command(alone)


app = typer.Typer(
    cls=_Commands,
    help="Measures the records of a full-arch conversion and says what to rescan, why and how.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_show_locals=False,
)


@app.command()
def check(
    folder: Annotated[Path, typer.Argument(help="Folder with case.json and the files it names.")],
    bodies: Annotated[
        Path | None, typer.Option(help="Folder of reference bodies, instead of FOLDER/bodies.")
    ] = None,
    sheet: Annotated[Path | None, typer.Option(help="Tolerance sheet (JSON) to judge under.")] = None,
    json_file: Annotated[
        Path | None, typer.Option("--json", help="Write the report as JSON to this file.")
    ] = None,
    pdf: Annotated[Path | None, typer.Option(help="Write the report as PDF to this file.")] = None,
    pictures: Annotated[
        Path | None, typer.Option(help="Write the pictures of the findings into this folder, as PNG.")
    ] = None,
    now: Annotated[str | None, typer.Option(help="Time of judging, ISO 8601, instead of the clock.")] = None,
) -> None:
    """Check a record set: exit 0 clear, 10 look, 20 return, 30 the folder or form cannot be used."""
    try:
        with ChildPool(CHILDREN, LIMITS) as children:
            children.start()
            record_set = read_folder(folder, bodies)
            applied = _sheet(sheet)
            report = check_folder(
                record_set, now=_time(now), run=children.run, sheet=applied, workers=CHILDREN
            )
            if pictures is not None or pdf is not None:
                report = _drawn(report, record_set, children.run, pictures, pdf)
        if json_file is not None:
            write_report(report, json_file)
    except (ArchproofError, OSError) as error:
        typer.echo(words_of(error), err=True)
        raise typer.Exit(UNUSABLE) from error
    _print(report, pictures)
    raise typer.Exit(report.verdict.exit_code)


def _drawn(
    report: Report, record_set: RecordSet, run: Callable[..., Any], pictures: Path | None, pdf: Path | None
) -> Report:
    """Writes the pictures and the paper that are asked for; the report with the pictures named in it."""
    from server.inspection.places import Places, write_places

    places = Places(record_set.records, run)
    if pictures is not None:
        write_pictures(report, pictures)
        report = write_places(report, places, pictures)
    if pdf is not None:
        from server.inspection.paper import report_pdf

        write_whole(pdf, report_pdf(report, record_set.form, place=places.svg))
    return report


@app.command()
def release(
    folder: Annotated[Path, typer.Argument(help="Folder with case.json and the files it names.")],
    out: Annotated[Path, typer.Argument(help="The archive to write.")],
    bodies: Annotated[
        Path | None, typer.Option(help="Folder of reference bodies, instead of FOLDER/bodies.")
    ] = None,
    sheet: Annotated[Path | None, typer.Option(help="Tolerance sheet (JSON) to judge under.")] = None,
    accept: Annotated[
        str | None,
        typer.Option(help="Why what stands against it is accepted; it is written into the archive."),
    ] = None,
    by: Annotated[str | None, typer.Option(help="Who accepts it.")] = None,
    consent: Annotated[
        bool, typer.Option("--consent", help="The prescriber was asked about what is at return, and agrees.")
    ] = False,
    now: Annotated[str | None, typer.Option(help="Time of release, ISO 8601, instead of the clock.")] = None,
) -> None:
    """Check a record set and pack it for design: exit 0 packed; 10 or 20 as for `check` where something stands against it."""
    from server.handoff.folder import Acceptance, against, release_folder
    from server.handoff.package.pieces import PackageBroken

    if accept is not None and not by:
        raise typer.BadParameter("say who accepts it", param_hint="--by")
    acceptance = Acceptance(accept, by, has_consent=consent) if accept is not None and by else None
    moment = _time(now)
    try:
        record_set = read_folder(folder, bodies)
        applied = _sheet(sheet)
        with ChildPool(CHILDREN, LIMITS) as children:
            inspected = inspect_folder(
                record_set, now=moment, run=children.run, sheet=applied, workers=CHILDREN
            )
            left = against(inspected.report, acceptance)
            made = None
            if not left:
                made = release_folder(
                    record_set, inspected, out, now=moment, run=children.run, acceptance=acceptance
                )
    except PackageBroken as fault:
        typer.echo(fault.says, err=True)
        raise typer.Exit(BROKEN) from fault
    except (ArchproofError, OSError) as error:
        typer.echo(words_of(error), err=True)
        raise typer.Exit(UNUSABLE) from error
    if made is None:
        _print(inspected.report, None)
        typer.echo(
            f"\nNot packed: {count_words(len(left), 'finding')} must be cleared, or accepted with --accept and --by."
        )
        raise typer.Exit(inspected.report.verdict.exit_code)
    in_place = sum(bool(file.T_joint_source) for file in made.files)
    typer.echo(
        f"{out}: {count_words(in_place, 'surface')} in one frame, {len(made.files)} files, read back whole."
    )


def _sheet(path: Path | None) -> ToleranceSheet | None:
    if path is None:
        return None
    sheet = read_sheet(path.read_bytes())
    sheet.check_against(RULES)
    return sheet


def _time(text: str | None) -> datetime:
    if text is None:
        return datetime.now(UTC)
    try:
        time = datetime.fromisoformat(text)
    except ValueError as error:
        raise typer.BadParameter("give a time as in 2031-05-04T15:30:00+00:00", param_hint="--now") from error
    return time if time.tzinfo else time.replace(tzinfo=UTC)


def _print(report: Report, pictures: Path | None) -> None:
    for line in report_lines(report, pictures):
        typer.echo(line)


@app.command()
def serve(
    demo: Annotated[
        bool, typer.Option("--demo", help="With an invented lab, clinics and cases; loopback only.")
    ] = False,
    host: Annotated[str | None, typer.Option(help="Address to listen on.")] = None,
    port: Annotated[int | None, typer.Option(min=0, max=65535, help="Port; 0 picks a free one.")] = None,
    data: Annotated[Path | None, typer.Option(help="Folder for database and scans.")] = None,
    no_worker: Annotated[
        bool, typer.Option("--no-worker", help="Measure elsewhere, with `archproof worker`.")
    ] = False,
) -> None:
    """Run the portal. Settings come from ARCHPROOF_… variables; the options here win over them."""
    from server.serving import serve_portal

    _or_unusable(
        lambda: serve_portal(_settings(demo=demo, host=host, port=port, data=data, no_worker=no_worker))
    )


@app.command()
def worker(
    data: Annotated[Path | None, typer.Option(help="Folder for database and scans.")] = None,
) -> None:
    """Measure for a portal that runs with --no-worker."""
    from server.worker import run_worker

    _or_unusable(lambda: run_worker(_settings(data=data)))


@app.command()
def bodies(
    folder: Annotated[
        Path, typer.Argument(help="Folder of reference bodies: ID.json and the meshes they name.")
    ],
    data: Annotated[Path | None, typer.Option(help="Folder for database and scans.")] = None,
) -> None:
    """Add a folder's reference bodies to the portal's catalogue: exit 0, or 30 where one cannot be used and none is added."""
    from server.accounts.work import PORTAL
    from server.app import open_portal
    from server.review.bodies import Added, ArrivedBody, add_bodies

    words = {
        Added.NEW: "added",
        Added.NEXT_VERSION: "added; the version before it stays for reports that rest on it",
        Added.KNOWN: "is there already, unchanged",
    }

    def add() -> None:
        arrived = [ArrivedBody(entry, path) for entry, path in body_entries(folder)]
        if not arrived:
            raise FolderUnusable(f"There is no reference body in {folder}.")
        portal = open_portal(_settings(data=data))
        with ChildPool(1, LIMITS) as children:
            added = add_bodies(portal, PORTAL, arrived, children.run)
        portal.database.close()
        for body_id, what in added.items():
            typer.echo(f"{body_id}: {words[what]}.")

    _or_unusable(add)


def _settings(
    *,
    demo: bool = False,
    host: str | None = None,
    port: int | None = None,
    data: Path | None = None,
    no_worker: bool = False,
) -> Settings:
    given: dict[str, Any] = {"demo": demo or None, "host": host, "port": port, "data_dir": data}
    given["run_worker"] = False if no_worker else None
    if demo and data is None and "ARCHPROOF_DATA_DIR" not in os.environ:
        given["data_dir"] = Path("var/demo")
    return Settings(**{name: value for name, value in given.items() if value is not None})


def _or_unusable(run: Callable[[], None]) -> None:
    try:
        run()
    except (ArchproofError, ValidationError, OSError) as error:
        says = error.says if isinstance(error, ArchproofError) else f"The portal does not start: {error}"
        typer.echo(says, err=True)
        raise typer.Exit(UNUSABLE) from error


@app.command()
def rules(
    markdown: Annotated[bool, typer.Option("--markdown", help="The whole catalogue as Markdown.")] = False,
) -> None:
    """List every rule with its limits and where they come from."""
    if markdown:
        typer.echo(catalogue_markdown())
        return
    for row in catalogue_rows():
        typer.echo(f"{row.id:30} {row.title}")


@app.command()
def version() -> None:
    """Print name and version."""
    typer.echo(SOFTWARE)


def main() -> None:
    """Runs the command; whatever is not a verdict or a known error leaves with exit code 1."""
    sys.exit(app())


if __name__ == "__main__":
    main()

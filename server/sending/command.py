"""The command `archproof send`."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TransferSpeedColumn

from server.errors import ArchproofError, BadRequest, words_of
from server.inspection.told import report_lines
from server.sending.case import WAIT_S, NoVerdictYet, Teller, connected, send_folder, verdict_of_case
from server.sending.portal import PortalAway, PortalClient
from server.sending.watching import watch

UNUSABLE, AWAY = 30, 1
TOKEN = "ARCHPROOF_TOKEN"


class TokenMissing(BadRequest):
    """Without a token the portal does not know who sends."""

    code = "token-missing"


def send(
    folder: Annotated[
        Path | None, typer.Argument(help="Folder with case.json and the files it names.")
    ] = None,
    to: Annotated[str, typer.Option("--to", help="Address of the portal, as https://portal.example.")] = "",
    watched: Annotated[
        Path | None,
        typer.Option("--watch", help="Watch this folder and send each case in it when its files are whole."),
    ] = None,
    token_file: Annotated[
        Path | None, typer.Option(help=f"File that holds the token, instead of {TOKEN}.")
    ] = None,
    submit: Annotated[
        bool, typer.Option("--submit", help="Hand the case to the lab when all is sent.")
    ] = False,
    wait_s: Annotated[float, typer.Option("--wait", min=0, help="Seconds to wait for the verdict.")] = WAIT_S,
) -> None:
    """Send a record set to a portal and wait for its verdict: exit 0 clear, 10 look, 20 return, 30 it cannot be sent.

    Run again after mending a file, only that file is sent. After a lost line the same command goes on.
    """
    if (folder is None) == (watched is None):
        raise typer.BadParameter("name one folder to send, or one to watch", param_hint="FOLDER or --watch")
    if not to:
        raise typer.BadParameter("say which portal", param_hint="--to")
    try:
        with connected(to, _token(token_file)) as portal:
            if watched is not None:
                _watch(portal, watched, submit=submit, wait_s=wait_s)
                return
            assert folder is not None
            code = _send_one(portal, folder, submit=submit, wait_s=wait_s)
    except (PortalAway, NoVerdictYet) as fault:
        typer.echo(fault.says, err=True)
        raise typer.Exit(AWAY) from fault
    except (ArchproofError, OSError) as fault:
        typer.echo(words_of(fault), err=True)
        raise typer.Exit(UNUSABLE) from fault
    raise typer.Exit(code)


def _send_one(portal: PortalClient, folder: Path, *, submit: bool, wait_s: float) -> int:
    """Sends one case and prints its verdict; the exit code of that."""
    with _progress() as progress:
        case = send_folder(portal, folder, _teller(progress), submit=submit)
    typer.echo(f"All is there; the verdict follows. The case: {portal.url}/cases/{case}", err=True)
    report = verdict_of_case(portal, case, wait_s=wait_s)
    for line in report_lines(report):
        typer.echo(line)
    return report.verdict.exit_code


def _watch(portal: PortalClient, folder: Path, *, submit: bool, wait_s: float) -> None:
    """Until it is stopped; what goes wrong with one case is said and does not end it."""

    def one(case: Path) -> None:
        typer.echo(f"\n{case.name}", err=True)
        try:
            _send_one(portal, case, submit=submit, wait_s=wait_s)
        except (ArchproofError, OSError) as fault:
            typer.echo(words_of(fault), err=True)

    typer.echo(f"Watching {folder}; stop with Ctrl+C.", err=True)
    try:
        watch(folder, one, lambda words: typer.echo(words, err=True))
    except KeyboardInterrupt:
        typer.echo("Stopped.", err=True)


def _token(file: Path | None) -> str:
    """The token, which is never an argument: those are seen by everyone on a machine. Raises TokenMissing."""
    token = (
        file.read_text(encoding="utf-8").strip() if file is not None else os.environ.get(TOKEN, "").strip()
    )
    if not token or not token.isascii() or not token.isprintable():
        raise TokenMissing(
            f"There is no token. Make one on the portal's page “Tokens” and put it into {TOKEN} or into a file for "
            "--token-file."
        )
    return token


def _progress() -> Progress:
    columns = TextColumn("{task.description}"), BarColumn(), DownloadColumn(), TransferSpeedColumn()
    return Progress(*columns, console=Console(stderr=True), disable=not sys.stderr.isatty())


def _teller(progress: Progress) -> Teller:
    def sending(name: str, size: int) -> Callable[[int], None]:
        task = progress.add_task(name, total=size)

        def safe(done: int) -> None:
            progress.update(task, completed=done)
            if progress.disable and done == size:
                typer.echo(f"{name}: sent, {size} bytes", err=True)

        return safe

    return Teller(lambda words: typer.echo(words, err=True), sending)

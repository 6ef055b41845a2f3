"""The command that makes phantoms: `archproof phantom OUT`, also `python -m seed_data.phantoms.command OUT`."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated, Literal

import typer

from seed_data.phantoms.faults import ALL
from seed_data.phantoms.phantom import make_phantom
from server.records.teeth import Arch


def phantom(
    out: Annotated[
        Path | None, typer.Argument(help="Folder to write the record set into; it is made.")
    ] = None,
    seed: Annotated[int, typer.Option(help="Decides everything that is not given.")] = 1,
    sites: Annotated[int | None, typer.Option(min=4, max=8, help="How many implants.")] = None,
    arch: Annotated[Arch | None, typer.Option(help="Working jaw.")] = None,
    fault: Annotated[
        list[str] | None, typer.Option(help="What goes wrong; may be given more than once.")
    ] = None,
    frames: Annotated[
        Literal["shared", "random"],
        typer.Option(help="One export frame for all surfaces, or one for each record."),
    ] = "shared",
    detail: Annotated[float, typer.Option(min=0.4, max=1.6, help="1 is real size; less is lighter.")] = 1.0,
    noise_um: Annotated[
        float | None, typer.Option(min=0.0, max=100.0, help="Total scanner noise, RMS.")
    ] = None,
    coverage: Annotated[
        float | None,
        typer.Option(min=0.4, max=1.0, help="Least captured share of each body in the jaw scan."),
    ] = None,
    list_faults: Annotated[bool, typer.Option("--list-faults", help="Name every fault and stop.")] = False,
) -> None:
    """Make a synthetic record set whose truth is known exactly (truth.json), clean or with named faults."""
    if list_faults:
        for entry in ALL:
            typer.echo(f"{entry.name:32} {entry.rule:28} {entry.says}")
        return
    if out is None:
        raise typer.BadParameter("name a folder to write into", param_hint="OUT")
    begun = time.perf_counter()
    try:
        truth = make_phantom(
            out,
            seed=seed,
            sites=sites,
            arch=arch,
            faults=tuple(fault or ()),
            random_frames=frames == "random",
            detail=detail,
            noise_um=noise_um,
            coverage=coverage,
        )
    except LookupError as error:
        raise typer.BadParameter(str(error.args[0])) from error
    faces = sum(record.n_faces or 0 for record in truth.records)
    seconds = time.perf_counter() - begun
    typer.echo(
        f"{out}: {truth.arch.value} jaw, {len(truth.sites)} implants, {len(truth.records)} records, "
        f"{faces:,} triangles, {seconds:.1f} s"
    )
    for expected in truth.faults:
        where = f" in {expected.record}" if expected.record else ""
        typer.echo(f"  {expected.fault}: {expected.rule} at {expected.level.value}{where}")


if __name__ == "__main__":
    typer.run(phantom)

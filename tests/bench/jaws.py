"""Phantom jaw scans with the truth about their bodies, made in two processes and kept for the next run."""

from __future__ import annotations

import hashlib
import importlib
import inspect
import tempfile
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.dice import dice, pick
from seed_data.phantoms.disturb import Noise
from seed_data.phantoms.phantom import draft_work
from seed_data.phantoms.scanner import Draft, Settings, scan
from seed_data.phantoms.work import Work

Floats = NDArray[np.float64]

STRATA = ("white", "mixed", "part")
"""white: 15 µm from point to point, 0.33 mm apart, all caught. mixed: 5 to 30 µm, part of it alike over patches as the seed
draws, 0.15 to 0.40 mm apart. part: the same, bodies caught to a share of 0.6 to 1."""
SHAPED_BY = ("scanner", "disturb", "sight", "mesher", "mouth", "sites", "layout", "ridge", "bodies", "solids")
WHITE, SPACING_MM = Noise(0.015, 0.0, 4.0), 0.33


@dataclass(frozen=True, slots=True)
class JawScan:
    """vertices (n, 3) and poses (k, 4, 4; T_file_body) in the file's frame, mm; label (n,): index of the body a vertex
    lies on, -1 for none; kinds and shares: by body, its kind and how much of it above the tissue was caught."""

    seed: int
    stratum: str
    vertices: Floats
    faces: NDArray[np.int32]
    label: NDArray[np.int16]
    poses: Floats
    kinds: tuple[str, ...]
    shares: Floats
    noise: Noise
    spacing_mm: float


def jaw_scans(seeds: Iterable[int], strata: Iterable[str] = STRATA, processes: int = 2) -> Iterator[JawScan]:
    """One scan per seed, the strata in turn; seeds whose mouth has no room for its bodies are left out."""
    names = tuple(strata)
    asked = [(seed, names[k % len(names)]) for k, seed in enumerate(seeds)]
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        for path in pool.map(_kept, *zip(*asked, strict=True)):
            if path is not None:
                yield _loaded(path)


def _kept(seed: int, stratum: str) -> Path | None:
    folder = Path(tempfile.gettempdir()) / f"archproof-bench-jaws-{_digest()}"
    folder.mkdir(exist_ok=True)
    path = folder / f"{stratum}-{seed}.npz"
    if not path.exists():
        try:
            made = _made(seed, stratum)
        except LookupError:
            return None
        partial = path.with_suffix(".part.npz")
        _save(partial, made)
        partial.rename(path)
    return path


def _digest() -> str:
    """Changes with the code that shapes a jaw scan."""
    modules = [importlib.import_module(f"seed_data.phantoms.{name}") for name in SHAPED_BY]
    return hashlib.sha256("".join(inspect.getsource(m) for m in modules).encode()).hexdigest()[:12]


def _made(seed: int, stratum: str) -> JawScan:
    work = draft_work(seed, None, None, random_frames=True, detail=1.0, noise_um=None)
    settings = _settings(work, stratum)
    draft = replace(scan(seed, work.subjects["jaw"], settings), T_file_joint=work.frame("jaw"))
    placed = work.mouth.placed
    poses = [draft.T_file_joint @ settings.body_moves[k] @ p.T_joint_body for k, p in enumerate(placed)]
    return JawScan(
        seed=seed,
        stratum=stratum,
        vertices=_as_in_a_file(draft),
        faces=draft.faces.astype(np.int32),
        label=draft.label.astype(np.int16),
        poses=np.array(poses),
        kinds=tuple(p.kind for p in placed),
        shares=np.array(draft.body_shares),
        noise=settings.noise,
        spacing_mm=settings.spacing_mm,
    )


def _settings(work: Work, stratum: str) -> Settings:
    settings = work.settings["jaw"]
    if stratum == "white":
        return replace(settings, noise=WHITE, spacing_mm=SPACING_MM)
    rng = dice(work.seed, "bench", stratum)
    scale = pick(rng, 0.005, 0.030) / settings.noise.rms_mm
    own = settings.noise
    noise = Noise(own.white_mm * scale, own.correlated_mm * scale, own.patch_mm)
    settings = replace(settings, noise=noise, spacing_mm=pick(rng, 0.15, 0.40))
    if stratum == "part":
        shares = rng.uniform(0.6, 1.0, len(work.mouth.sites))
        settings = replace(settings, body_coverage=tuple(float(s) for s in shares))
    return settings


def _as_in_a_file(draft: Draft) -> Floats:
    """Coordinates as binary files hold them, in single precision."""
    return draft.in_file().astype(np.float32).astype(np.float64)


def _save(path: Path, made: JawScan) -> None:
    np.savez(
        path,
        seed=made.seed,
        stratum=made.stratum,
        vertices=made.vertices.astype(np.float32),
        faces=made.faces,
        label=made.label,
        poses=made.poses,
        kinds=np.array(made.kinds),
        shares=made.shares,
        noise=np.array([made.noise.white_mm, made.noise.correlated_mm, made.noise.patch_mm]),
        spacing_mm=made.spacing_mm,
    )


def _loaded(path: Path) -> JawScan:
    with np.load(path) as kept:
        return JawScan(
            seed=int(kept["seed"]),
            stratum=str(kept["stratum"]),
            vertices=kept["vertices"].astype(np.float64),
            faces=kept["faces"],
            label=kept["label"],
            poses=kept["poses"],
            kinds=tuple(str(k) for k in kept["kinds"]),
            shares=kept["shares"],
            noise=Noise(*(float(x) for x in kept["noise"])),
            spacing_mm=float(kept["spacing_mm"]),
        )

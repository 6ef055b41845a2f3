"""The faults: each spoils one thing in a phantom and says which rule must find it, where and how loudly."""

from __future__ import annotations

from seed_data.phantoms.faults.file_faults import FILE_FAULTS
from seed_data.phantoms.faults.form_faults import FORM_FAULTS
from seed_data.phantoms.faults.round_faults import ROUND_FAULTS
from seed_data.phantoms.faults.surface_faults import SURFACE_FAULTS
from seed_data.phantoms.work import Fault

ALL: tuple[Fault, ...] = (*FILE_FAULTS, *SURFACE_FAULTS, *FORM_FAULTS, *ROUND_FAULTS)


def fault_named(name: str) -> Fault:
    """The fault of that name. Raises LookupError, naming what is near it."""
    for fault in ALL:
        if fault.name == name:
            return fault
    near = [fault.name for fault in ALL if fault.name.split("-")[0] == name.split("-")[0]]
    raise LookupError(f"there is no fault “{name}”; of that group there are: {', '.join(near) or 'none'}")

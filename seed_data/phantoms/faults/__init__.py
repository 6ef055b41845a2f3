"""The faults: each spoils one thing in a phantom and says which rule must find it, where and how loudly."""

from __future__ import annotations

from seed_data.phantoms.faults.belonging_faults import BELONGING_FAULTS
from seed_data.phantoms.faults.bite_faults import BITE_FAULTS
from seed_data.phantoms.faults.body_faults import BODY_FAULTS
from seed_data.phantoms.faults.file_faults import FILE_FAULTS
from seed_data.phantoms.faults.form_faults import FORM_FAULTS
from seed_data.phantoms.faults.height_faults import HEIGHT_FAULTS
from seed_data.phantoms.faults.marker_faults import MARKER_FAULTS
from seed_data.phantoms.faults.room_faults import ROOM_FAULTS
from seed_data.phantoms.faults.round_faults import ROUND_FAULTS
from seed_data.phantoms.faults.surface_faults import SURFACE_FAULTS
from seed_data.phantoms.work import Fault

ALL: tuple[Fault, ...] = (
    *FILE_FAULTS,
    *SURFACE_FAULTS,
    *BELONGING_FAULTS,
    *FORM_FAULTS,
    *ROUND_FAULTS,
    *BODY_FAULTS,
    *MARKER_FAULTS,
    *BITE_FAULTS,
    *ROOM_FAULTS,
    *HEIGHT_FAULTS,
)


def fault_named(name: str) -> Fault:
    """The fault of that name. Raises LookupError, naming what is near it."""
    for fault in ALL:
        if fault.name == name:
            return fault
    near = [fault.name for fault in ALL if fault.name.split("-")[0] == name.split("-")[0]]
    raise LookupError(f"there is no fault “{name}”; of that group there are: {', '.join(near) or 'none'}")

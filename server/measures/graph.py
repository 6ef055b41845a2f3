"""The graph of measures: every measure there is, in an order in which each comes after what it needs.

A measure still to come takes its place here:
one line in one of the two tuples, after those it needs. A measure of two records is named by the case measure
that asks for it (`pairs`); a case measure may ask for another's result (`builds_on`).
"""

from __future__ import annotations

from typing import Any

from server.measures.arch_spread import SPREAD
from server.measures.bite_contact import BITE_CONTACT
from server.measures.bite_relation import BITE_RELATION
from server.measures.bodies import BODIES
from server.measures.change import CHANGE
from server.measures.extent import EXTENT
from server.measures.facing import FACING
from server.measures.frames import JOINT
from server.measures.height import HEIGHT
from server.measures.impression import IMPRESSION
from server.measures.imprint_sites import IMPRINT_SITES
from server.measures.imprints import IMPRINTS
from server.measures.layers import LAYERS
from server.measures.markers import MARKERS
from server.measures.measure import CaseMeasure, RecordMeasure
from server.measures.mouth import MOUTH
from server.measures.parted import PARTED
from server.measures.personal import PERSONAL
from server.measures.reading import READING
from server.measures.role import ROLE
from server.measures.shell import SHELL
from server.measures.sides import SIDES
from server.measures.sites import SITES
from server.measures.sketch import SKETCH
from server.measures.space import SPACE
from server.measures.texture import TEXTURE
from server.measures.walls import WALLS

RECORD_MEASURES: tuple[RecordMeasure[Any], ...] = (
    READING,
    EXTENT,
    PERSONAL,
    SHELL,
    FACING,
    TEXTURE,
    LAYERS,
    SKETCH,
    ROLE,
    BODIES,
    SIDES,
    IMPRINTS,
)

CASE_MEASURES: tuple[CaseMeasure[Any], ...] = (
    CHANGE,
    SITES,
    MARKERS,
    JOINT,
    MOUTH,
    PARTED,
    IMPRESSION,
    IMPRINT_SITES,
    SPACE,
    WALLS,
    SPREAD,
    HEIGHT,
    BITE_RELATION,
    BITE_CONTACT,
)

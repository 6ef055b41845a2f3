"""The catalogue: every rule there is, in the order in which reports list them."""

from __future__ import annotations

from server.rules.catalogue.bodies.not_in_catalogue import RULE as BODIES_NOT_IN_CATALOGUE
from server.rules.catalogue.bodies.seat_unconfirmed import RULE as BODIES_SEAT_UNCONFIRMED
from server.rules.catalogue.form.arch_mismatch import RULE as FORM_ARCH_MISMATCH
from server.rules.catalogue.form.connection_unsupported import RULE as FORM_CONNECTION_UNSUPPORTED
from server.rules.catalogue.form.duplicate_site import RULE as FORM_DUPLICATE_SITE
from server.rules.catalogue.form.missing import RULE as FORM_MISSING
from server.rules.catalogue.form.needed_by import RULE as FORM_NEEDED_BY
from server.rules.catalogue.form.numbering_doubtful import RULE as FORM_NUMBERING_DOUBTFUL
from server.rules.catalogue.form.personal_data import RULE as FORM_PERSONAL_DATA
from server.rules.catalogue.form.role_repeated import RULE as FORM_ROLE_REPEATED
from server.rules.catalogue.form.tooth_code import RULE as FORM_TOOTH_CODE
from server.rules.catalogue.form.unattested import RULE as FORM_UNATTESTED
from server.rules.catalogue.markers.missing import RULE as MARKERS_MISSING
from server.rules.catalogue.vertical.changed import RULE as VERTICAL_CHANGED
from server.rules.catalogue.vertical.missing import RULE as VERTICAL_MISSING
from server.rules.catalogue.vertical.unrepeatable import RULE as VERTICAL_UNREPEATABLE
from server.rules.rule import Rule

RULES: tuple[Rule, ...] = (
    # form
    FORM_ARCH_MISMATCH,
    FORM_CONNECTION_UNSUPPORTED,
    FORM_DUPLICATE_SITE,
    FORM_MISSING,
    FORM_NEEDED_BY,
    FORM_NUMBERING_DOUBTFUL,
    FORM_PERSONAL_DATA,
    FORM_ROLE_REPEATED,
    FORM_TOOTH_CODE,
    FORM_UNATTESTED,
    # bodies
    BODIES_NOT_IN_CATALOGUE,
    BODIES_SEAT_UNCONFIRMED,
    # markers
    MARKERS_MISSING,
    # vertical
    VERTICAL_CHANGED,
    VERTICAL_MISSING,
    VERTICAL_UNREPEATABLE,
)

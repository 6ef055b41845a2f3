"""The catalogue: every rule there is, in the order in which reports list them."""

from __future__ import annotations

from server.rules.catalogue.bite.missing import RULE as BITE_MISSING
from server.rules.catalogue.bite.no_contact import RULE as BITE_NO_CONTACT
from server.rules.catalogue.bite.one_sided import RULE as BITE_ONE_SIDED
from server.rules.catalogue.bite.penetration import RULE as BITE_PENETRATION
from server.rules.catalogue.bite.scan_disagrees import RULE as BITE_SCAN_DISAGREES
from server.rules.catalogue.bite.tilt import RULE as BITE_TILT
from server.rules.catalogue.bodies.by_hand import RULE as BODIES_BY_HAND
from server.rules.catalogue.bodies.count import RULE as BODIES_COUNT
from server.rules.catalogue.bodies.coverage import RULE as BODIES_COVERAGE
from server.rules.catalogue.bodies.divergence import RULE as BODIES_DIVERGENCE
from server.rules.catalogue.bodies.fit import RULE as BODIES_FIT
from server.rules.catalogue.bodies.not_in_catalogue import RULE as BODIES_NOT_IN_CATALOGUE
from server.rules.catalogue.bodies.seat_unconfirmed import RULE as BODIES_SEAT_UNCONFIRMED
from server.rules.catalogue.bodies.site_order import RULE as BODIES_SITE_ORDER
from server.rules.catalogue.bodies.too_close import RULE as BODIES_TOO_CLOSE
from server.rules.catalogue.bodies.wrong_kind import RULE as BODIES_WRONG_KIND
from server.rules.catalogue.denture.impression_mismatch import RULE as DENTURE_IMPRESSION_MISMATCH
from server.rules.catalogue.denture.imprint_count import RULE as DENTURE_IMPRINT_COUNT
from server.rules.catalogue.denture.not_all_round import RULE as DENTURE_NOT_ALL_ROUND
from server.rules.catalogue.denture.thin import RULE as DENTURE_THIN
from server.rules.catalogue.file.far_origin import RULE as FILE_FAR_ORIGIN
from server.rules.catalogue.file.irregular import RULE as FILE_IRREGULAR
from server.rules.catalogue.file.no_triangles import RULE as FILE_NO_TRIANGLES
from server.rules.catalogue.file.non_finite import RULE as FILE_NON_FINITE
from server.rules.catalogue.file.personal_data import RULE as FILE_PERSONAL_DATA
from server.rules.catalogue.file.same_surface import RULE as FILE_SAME_SURFACE
from server.rules.catalogue.file.too_heavy import RULE as FILE_TOO_HEAVY
from server.rules.catalogue.file.truncated import RULE as FILE_TRUNCATED
from server.rules.catalogue.file.unit_doubtful import RULE as FILE_UNIT_DOUBTFUL
from server.rules.catalogue.file.unreadable import RULE as FILE_UNREADABLE
from server.rules.catalogue.form.arch_mismatch import RULE as FORM_ARCH_MISMATCH
from server.rules.catalogue.form.connection_unsupported import RULE as FORM_CONNECTION_UNSUPPORTED
from server.rules.catalogue.form.duplicate_site import RULE as FORM_DUPLICATE_SITE
from server.rules.catalogue.form.missing import RULE as FORM_MISSING
from server.rules.catalogue.form.needed_by import RULE as FORM_NEEDED_BY
from server.rules.catalogue.form.numbering_doubtful import RULE as FORM_NUMBERING_DOUBTFUL
from server.rules.catalogue.form.personal_data import RULE as FORM_PERSONAL_DATA
from server.rules.catalogue.form.role_doubtful import RULE as FORM_ROLE_DOUBTFUL
from server.rules.catalogue.form.role_repeated import RULE as FORM_ROLE_REPEATED
from server.rules.catalogue.form.tooth_code import RULE as FORM_TOOTH_CODE
from server.rules.catalogue.form.unattested import RULE as FORM_UNATTESTED
from server.rules.catalogue.markers.axis import RULE as MARKERS_AXIS
from server.rules.catalogue.markers.count import RULE as MARKERS_COUNT
from server.rules.catalogue.markers.fit import RULE as MARKERS_FIT
from server.rules.catalogue.markers.mirrored import RULE as MARKERS_MIRRORED
from server.rules.catalogue.markers.missing import RULE as MARKERS_MISSING
from server.rules.catalogue.markers.one_off import RULE as MARKERS_ONE_OFF
from server.rules.catalogue.markers.scale import RULE as MARKERS_SCALE
from server.rules.catalogue.markers.span import RULE as MARKERS_SPAN
from server.rules.catalogue.markers.wrong_kind import RULE as MARKERS_WRONG_KIND
from server.rules.catalogue.round.changed_too_much import RULE as ROUND_CHANGED_TOO_MUCH
from server.rules.catalogue.round.same_as_before import RULE as ROUND_SAME_AS_BEFORE
from server.rules.catalogue.space.cantilever import RULE as SPACE_CANTILEVER
from server.rules.catalogue.space.restorative import RULE as SPACE_RESTORATIVE
from server.rules.catalogue.space.screw_exit import RULE as SPACE_SCREW_EXIT
from server.rules.catalogue.space.thickness import RULE as SPACE_THICKNESS
from server.rules.catalogue.surface.coarse import RULE as SURFACE_COARSE
from server.rules.catalogue.surface.degenerate import RULE as SURFACE_DEGENERATE
from server.rules.catalogue.surface.double_layer import RULE as SURFACE_DOUBLE_LAYER
from server.rules.catalogue.surface.hole import RULE as SURFACE_HOLE
from server.rules.catalogue.surface.hole_at_body import RULE as SURFACE_HOLE_AT_BODY
from server.rules.catalogue.surface.inside_out import RULE as SURFACE_INSIDE_OUT
from server.rules.catalogue.surface.islands import RULE as SURFACE_ISLANDS
from server.rules.catalogue.surface.mirrored import RULE as SURFACE_MIRRORED
from server.rules.catalogue.surface.mixed_facing import RULE as SURFACE_MIXED_FACING
from server.rules.catalogue.surface.no_fit import RULE as SURFACE_NO_FIT
from server.rules.catalogue.surface.non_manifold import RULE as SURFACE_NON_MANIFOLD
from server.rules.catalogue.surface.rough import RULE as SURFACE_ROUGH
from server.rules.catalogue.surface.spikes import RULE as SURFACE_SPIKES
from server.rules.catalogue.vertical.changed import RULE as VERTICAL_CHANGED
from server.rules.catalogue.vertical.missing import RULE as VERTICAL_MISSING
from server.rules.catalogue.vertical.unrepeatable import RULE as VERTICAL_UNREPEATABLE
from server.rules.rule import Rule

RULES: tuple[Rule, ...] = (
    # file
    FILE_FAR_ORIGIN,
    FILE_IRREGULAR,
    FILE_NO_TRIANGLES,
    FILE_NON_FINITE,
    FILE_PERSONAL_DATA,
    FILE_SAME_SURFACE,
    FILE_TOO_HEAVY,
    FILE_TRUNCATED,
    FILE_UNIT_DOUBTFUL,
    FILE_UNREADABLE,
    # surface
    SURFACE_COARSE,
    SURFACE_DEGENERATE,
    SURFACE_DOUBLE_LAYER,
    SURFACE_HOLE,
    SURFACE_HOLE_AT_BODY,
    SURFACE_INSIDE_OUT,
    SURFACE_ISLANDS,
    SURFACE_MIRRORED,
    SURFACE_MIXED_FACING,
    SURFACE_NO_FIT,
    SURFACE_NON_MANIFOLD,
    SURFACE_ROUGH,
    SURFACE_SPIKES,
    # form
    FORM_ARCH_MISMATCH,
    FORM_CONNECTION_UNSUPPORTED,
    FORM_DUPLICATE_SITE,
    FORM_MISSING,
    FORM_NEEDED_BY,
    FORM_NUMBERING_DOUBTFUL,
    FORM_PERSONAL_DATA,
    FORM_ROLE_DOUBTFUL,
    FORM_ROLE_REPEATED,
    FORM_TOOTH_CODE,
    FORM_UNATTESTED,
    # round
    ROUND_CHANGED_TOO_MUCH,
    ROUND_SAME_AS_BEFORE,
    # bodies
    BODIES_BY_HAND,
    BODIES_COUNT,
    BODIES_COVERAGE,
    BODIES_DIVERGENCE,
    BODIES_FIT,
    BODIES_NOT_IN_CATALOGUE,
    BODIES_SEAT_UNCONFIRMED,
    BODIES_SITE_ORDER,
    BODIES_TOO_CLOSE,
    BODIES_WRONG_KIND,
    # markers
    MARKERS_AXIS,
    MARKERS_COUNT,
    MARKERS_FIT,
    MARKERS_MIRRORED,
    MARKERS_MISSING,
    MARKERS_ONE_OFF,
    MARKERS_SCALE,
    MARKERS_SPAN,
    MARKERS_WRONG_KIND,
    # bite
    BITE_MISSING,
    BITE_NO_CONTACT,
    BITE_ONE_SIDED,
    BITE_PENETRATION,
    BITE_SCAN_DISAGREES,
    BITE_TILT,
    # denture
    DENTURE_IMPRESSION_MISMATCH,
    DENTURE_IMPRINT_COUNT,
    DENTURE_NOT_ALL_ROUND,
    DENTURE_THIN,
    # vertical
    VERTICAL_CHANGED,
    VERTICAL_MISSING,
    VERTICAL_UNREPEATABLE,
    # space
    SPACE_CANTILEVER,
    SPACE_RESTORATIVE,
    SPACE_SCREW_EXIT,
    SPACE_THICKNESS,
)

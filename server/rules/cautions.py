"""What every paper that leaves the house says below its verdict."""

from __future__ import annotations

CAUTIONS = (
    "This is not a diagnosis and not a medical device; the dentist decides. Follow local rules and licensed practice.",
    "Limits come from common practice, our own proposals and laboratory studies; none guarantees a passive fit. Verify with a try-in or a jig before the definitive.",
    "Software cannot see an unseated scan body or a loose abutment; confirm by radiograph and torque.",
    "Skin marks are uncertain by about a millimetre; a scan does not prove that the bite was centric.",
    "Clear means clear by what could be measured.",
)

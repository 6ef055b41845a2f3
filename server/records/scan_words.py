"""Words that stand in the names and headers of scan files and are nobody's name."""

from __future__ import annotations

_WORDS = """
abutment abutments actual after again aligned all alveolar antagonist anterior apr april arcada arcade
arch arches arco ascii aug august bad base before big binary biss bite bites bodies body bottom bridge
buccal cad cam camera canine canines case cases char clean clinic closed color colors colour colours
comment comments complete conversion converted coordinate coordinates copy created crop cropped csv cubit
current cusp data date day dec december default definitive delivery demo dental denture dentures desktop
digital doctor done double downloads draft edentulous edges edited element end endian exocentric export
exported exporter exports face faces facet facets facial fdi feb february file files final first fixed
float format frame fri friday front full gegenkiefer generated gingiva good group groups header healing
holes icp identity implant implants impression incisal incisor incisors index inf inferieur inferior
inside int intraoral ios item jan january jaw jaws job jpeg jpg json jul july jun june kiefer lab labial
laboratory large last layer left level library lingual linux list little long loose low lower lowerjaw
made mandible mandibula mandibular mandibule mar march marker markers mascellare material materials
maxilar maxilla maxillaire maxillary maxillofacial may measured mesh meshes metadata microsoft midline
millimeter millimeters mirror mm model models molar molars mon monday mordida moved mucosa name names new
no noise none normal normals nov november number ober oberkiefer obj object objects occlusal occlusion oct
october ok old open opposing order original orthodontic outer output over palate part parts patient
patients photo photogrammetry photos picture plane planned plate ply pmma png points polygon position
positions post posterior practice premolar premolars prep preparation preview prosthesis prosthetic
provisional raw record records redo reduced reference registration relined repair repaired result rgb rgba
ridge right round sample sat saturday scan scanbodies scanbody scanbodys scankoerper scanned scanner scans
seated second segment sep sept september set sheet shell short side single site sites small smooth
software solid source space stitched stl sun sunday sup superieur superior surface surfaces system table
teeth temp temporary test texture third threemf thu thursday tissue tooth top total transform translation
triangle triangles trimmed try tryin tue tuesday type uchar undercut unit units unknown unnamed unter
unterkiefer untitled upper upperjaw v1 v2 version vertex vertical vertices view visit wax wed wednesday
windows with without working world written xyz zip zirconia
"""

SCAN_WORDS = frozenset(_WORDS.split())
"""In small letters; English first, then what other languages call jaws, bites and scans, months and days."""

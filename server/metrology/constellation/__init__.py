"""Two sets of implant poses without labels, one against the other; `compare` in `compare.py` is the way in."""

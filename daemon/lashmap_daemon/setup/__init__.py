"""Files that a person writes, checked and turned into values: stand, box, profile, mapping, bus table."""

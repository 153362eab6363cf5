"""The gear set and the indicator on it: pitch geometry, the mesh cycle, what a reading is worth."""

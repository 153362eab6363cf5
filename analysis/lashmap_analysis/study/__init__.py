"""The gauge's own proof: repeatability, reproducibility and drift of the stand."""

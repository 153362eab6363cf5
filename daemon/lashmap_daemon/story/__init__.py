"""Events of a test, and their sentences."""

"""From a logbook back to a test record, its result and its review."""

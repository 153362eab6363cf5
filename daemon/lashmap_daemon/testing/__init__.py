"""A live test: instruments, person, clock and logbook around the sequence."""

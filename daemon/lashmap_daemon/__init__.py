"""The service around a test: sequence, logbook, console and command line."""

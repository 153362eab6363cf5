"""A stand that is always on: its tasks, its requests over the local socket, its log."""

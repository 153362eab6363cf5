"""Watching a hall of stands over the bus; sends nothing."""

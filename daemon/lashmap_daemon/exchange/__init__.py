"""Recordings taken in from elsewhere, tests handed out as tables."""

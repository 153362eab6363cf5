"""A profile proposed from unknown traffic."""

"""What instruments send: one module for each kind of frame, its profile and its parser; no ports."""

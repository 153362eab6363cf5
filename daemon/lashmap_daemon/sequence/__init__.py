"""What a test does next, as a pure state machine; no clock, no ports."""

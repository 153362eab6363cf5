"""The order of a test as a pure state machine; no clock, no ports."""

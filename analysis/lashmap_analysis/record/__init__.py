"""What a test recorded and reviewers did, as plain values; units of the paperwork."""

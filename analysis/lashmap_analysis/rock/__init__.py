"""One rock trace becomes a reading with its uncertainty and flags, or a refusal."""

"""One SQLite file with every event and every raw byte; its digests, archive and rescue."""

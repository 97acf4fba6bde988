"""Logs: from files to checked records and lives; each sub-package is a room with a door."""

"""Ranking: which protection choices go with longer life; each sub-package is a room with a door."""

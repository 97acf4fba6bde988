"""Teardown: what killed each unit and what ended the season's units; each sub-package is a room with a door."""

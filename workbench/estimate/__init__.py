"""Estimates: lives in, frozen results out; each sub-package is a room with a door."""

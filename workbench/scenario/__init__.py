"""Invented seasons of known truth; each sub-package is a room with a door."""

"""Report: results become findings, slides and pages; each sub-package is a room with a door."""

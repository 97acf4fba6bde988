"""Teardown: physical evidence, the mechanism it points to, and what could not be determined."""

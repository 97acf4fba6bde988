"""Commands: one module a command, each options to one call to output; no arithmetic."""

"""The errors that the workbench raises on purpose; each is one sentence that names what, where and what to do.

WorkbenchError (ValueError)
├── LivesError      impossible times, weights, causes or covariates; names row and value
├── EstimateError   a question that the data given cannot answer at all
├── LogError        a file that cannot be read as a field log (exit code 1)
└── UsageError      a wrong path, option, column or settings key (exit code 2)
    └── SettingsError   an unknown key or a wrong value in the settings
"""

__all__ = ["EstimateError", "LivesError", "LogError", "SettingsError", "UsageError", "WorkbenchError"]


class WorkbenchError(ValueError):
    """Root of the errors raised on purpose; anything else is a defect of the program."""

    @property
    def clause(self) -> str:
        """The sentence without its full stop, to stand within another."""
        return str(self).rstrip(".")


class LivesError(WorkbenchError):
    """Times, weights, causes or covariates that no unit can have; the message names row (from 0) and value."""


class EstimateError(WorkbenchError):
    """A question that the lives given cannot answer, with what would be needed."""


class LogError(WorkbenchError):
    """A file that cannot be read as a field log."""


class UsageError(WorkbenchError):
    """A wrong path, option or column name."""


class SettingsError(UsageError):
    """An unknown key or a wrong value in the settings."""

"""The exceptions that a user may meet. Commands catch `EdgewrightError` alone, print its one line and exit.

Message grammar: what is wrong, where (file, line or feature), then what to do.
"""

__all__ = ["CannotDetermine", "EdgewrightError", "InputError", "OutputError"]


class EdgewrightError(Exception):
    """Base of all errors that are the user's to mend; its text is one line."""

    exit_code = 2


class InputError(EdgewrightError):
    """The file, option or value given is wrong or unreadable."""


class CannotDetermine(EdgewrightError):
    """The data are readable but cannot carry the answer asked of them."""


class OutputError(EdgewrightError):
    """The result cannot be written where the user asked."""

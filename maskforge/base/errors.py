"""The errors that a user of maskforge can meet: one base, few leaves."""


class MaskforgeError(Exception):
    """Base of all errors; a one-line message: what was received, what is allowed, unit, where."""


class BenchError(MaskforgeError):
    """What the user gave (bench file, preset, option, data file) cannot be used."""


class OutputError(MaskforgeError):
    """A result cannot be written."""


class LostProcessError(MaskforgeError):
    """A process of ours was ended from outside."""


class ClusterError(MaskforgeError):
    """A cluster cannot be worked with, or was lost."""


class PurityWarning(UserWarning):
    """Masks are less pure than was asked; the message says which."""


class PurityError(MaskforgeError):
    """The same where that was not to be; `result` holds the masks all the same."""

    def __init__(self, message: str, result: object) -> None:
        super().__init__(message)
        self.result = result


class ConvergenceError(MaskforgeError):
    """A solver did not converge; the message says what to change."""

"""The errors that a user of maskforge can meet: one base, few leaves."""


class MaskforgeError(Exception):
    """Base of all errors; a one-line message: what was received, what is allowed, unit, where."""


class BenchError(MaskforgeError):
    """What the user gave (bench file, preset, option, data file) cannot be used."""


class OutputError(MaskforgeError):
    """A result cannot be written."""


class ConvergenceError(MaskforgeError):
    """A solver did not converge; the message says what to change."""

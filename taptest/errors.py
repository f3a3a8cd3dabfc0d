"""The exception tree: every error a user can meet is a sentence that says what, where and what to do.

    TaptestError
    |- QuantityError      a text is not the quantity it should be ("12" without a unit, "1.5 litres" as a pressure)
    |- PhysicsError       values that nature or the vessel does not allow (below vacuum, more water than volume)
    |- RecordingError     a file that is not audio, or is empty, damaged, silent or clipped from start to end
    |- LineError          points or taps from which no line can be made
    |- VisitError         a visit's folder or document that cannot be read as one
    |- StorageError       the disk refuses: full, read-only, no permission
    |- PictureError       a file that is not a picture, or is damaged or too large
    |- DeviceError        no sound device, or one that vanished

The command line turns each of them into its sentence and exit code 2.
"""

from taptest.statements import Statement


class TaptestError(Exception):
    """Base of all errors meant for the user. `str(error)` is a whole sentence: what, where and what to do."""

    def __init__(self, sentence: str = "", said: Statement | None = None) -> None:
        """Take the sentence and, where the error may also be told as a remark, the same as a statement."""
        super().__init__(sentence)
        self.said = said


class QuantityError(TaptestError):
    """A text that is not a quantity of the kind asked for."""


class PhysicsError(TaptestError):
    """A value or a combination of values that nature or the vessel does not allow."""


class RecordingError(TaptestError):
    """A recording that cannot be read or holds nothing to work with."""


class LineError(TaptestError):
    """Points or taps from which no line can be made."""


class VisitError(TaptestError):
    """A visit's folder or document that cannot be read as one."""


class StorageError(TaptestError):
    """The disk refuses to read or write: full, read-only or not permitted."""


class PictureError(TaptestError):
    """A picture that cannot be read, or is too large."""


class DeviceError(TaptestError):
    """No sound device, one that cannot do what is asked, or one that vanished."""

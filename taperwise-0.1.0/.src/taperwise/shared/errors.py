"""Every error the project raises on purpose.

::

    TaperwiseError                what is wrong, the field, the value seen, the cure
    ├── InvalidValueError          a value that cannot be used
    │   ├── UnitError              a unit that is unknown or of another kind of quantity
    │   ├── OutOfRangeError        a value outside what is plausible
    │   └── UnknownNeedleError     a needle that is not among those on hand
    ├── StepLimitError             a step beyond what may ever be suggested
    ├── TimeOrderError             an entry dated before an earlier one, or in the future
    ├── NotFoundError              nothing stored under that number
    ├── ConflictError              the log changed, or what is stored forbids it
    ├── ChangedSinceError          an edit rests on a state that is no longer there
    ├── ReusedKeyError             an idempotency key that stands for something else
    ├── UnknownCallerError         nobody known asks for what needs somebody known
    ├── ForbiddenError             whoever asks may not
    ├── BusyError                  too many requests wait, or too much is asked of one calculation
    ├── NotReadyError              the sampler is still being compiled, or other results are calculated first
    ├── UnsafeError                a result that breaks a safety rule, or is damaged
    └── NotConvergedError          the sampler gave no posterior that can be trusted
"""

__all__ = [
    "BusyError",
    "ChangedSinceError",
    "ConflictError",
    "ForbiddenError",
    "InvalidValueError",
    "NotConvergedError",
    "NotFoundError",
    "NotReadyError",
    "OutOfRangeError",
    "ReusedKeyError",
    "StepLimitError",
    "TaperwiseError",
    "TimeOrderError",
    "UnitError",
    "UnknownCallerError",
    "UnknownNeedleError",
    "UnsafeError",
]


class TaperwiseError(Exception):
    """Base of the tree; raised only through its children.

    Parameters
    ----------
    message : str
        What is wrong, in one sentence.
    field : str
        Dotted name of the field, or an empty string where there is none.
    value : object
        The value seen; shown shortened.
    cure : str
        What to do instead.
    """

    def __init__(self, message: str, *, field: str = "", value: object = None, cure: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.field = field
        self.value = value
        self.cure = cure

    def __str__(self) -> str:
        where = f"{self.field}: " if self.field else ""
        seen = "" if self.value is None else f" (got {str(self.value)[:80]})"
        cure = f" {self.cure}" if self.cure else ""
        return f"{where}{self.message}{seen}.{cure}"


class InvalidValueError(TaperwiseError):
    """Raised when a value cannot be used as it is."""


class UnitError(InvalidValueError):
    """Raised when a unit is unknown, or belongs to another kind of quantity."""


class OutOfRangeError(InvalidValueError):
    """Raised when a value lies outside the plausible range of its field."""


class UnknownNeedleError(InvalidValueError):
    """Raised when a named needle is not one of the installation's needles."""


class StepLimitError(TaperwiseError):
    """Raised when a step is larger than the step limit."""


class TimeOrderError(TaperwiseError):
    """Raised when an entry is dated before the one it follows, or in the future."""


class NotFoundError(TaperwiseError):
    """Raised when nothing is stored under this number."""


class ConflictError(TaperwiseError):
    """Raised when an entry contradicts what is already stored."""


class ChangedSinceError(TaperwiseError):
    """Raised when an edit with `If-Match` rests on a state that was changed since it was read."""


class ReusedKeyError(TaperwiseError):
    """Raised when an `Idempotency-Key` comes a second time with another request."""


class UnknownCallerError(TaperwiseError):
    """Raised when a request that needs sign-in has no valid access key."""


class ForbiddenError(TaperwiseError):
    """Raised when the caller may not do this."""


class BusyError(TaperwiseError):
    """Raised before any work on a request begins, where too many others wait.

    Parameters
    ----------
    seconds : int
        When to try again, estimated [s].
    """

    def __init__(self, message: str, *, seconds: int = 5, cure: str = "") -> None:
        super().__init__(message, cure=cure)
        self.seconds = seconds


class NotReadyError(TaperwiseError):
    """Raised when a result is requested before the sampler is compiled, or free.

    Parameters
    ----------
    seconds : int
        How long that still takes, estimated [s].
    ahead : int
        Other results that are calculated first.
    """

    def __init__(self, seconds: int, ahead: int = 0) -> None:
        results = "1 other result is" if ahead == 1 else f"{ahead} other results are"
        going_on = f"Before yours, {results} calculated" if ahead else "The model is getting ready"
        super().__init__(f"{going_on}, about {seconds} s left", cure="Ask again then.")
        self.seconds, self.ahead = seconds, ahead


class UnsafeError(TaperwiseError):
    """Raised in place of a result that breaks a safety rule or is damaged; nothing of it is shown."""


class NotConvergedError(TaperwiseError):
    """Raised when the sampler gave no reliable posterior, even after a second fit."""

"""The errors a caller can act on: each names the field, what was expected and the HTTP status it maps to."""


class FieldError(ValueError):
    """One thing is wrong with what somebody sent.

    field: name of the field, as the sender wrote it ("" where the whole request is meant).
    message: what was expected and what was found, in one sentence.
    status: 404 unknown, 409 refused by the state of things, 422 not understood.
    """

    def __init__(self, field: str, message: str, status: int = 422) -> None:
        super().__init__(f"{field}: {message}" if field else message)
        self.field = field
        self.message = message
        self.status = status

"""In the tests a lock that is taken in a wrong order is an error; in service it is told in the log."""


class LockOrderError(Exception):
    """A lock was to be taken while one was held that stands behind it: two threads could wait for each other."""


def refuse(text: str) -> None:
    raise LockOrderError(text)

"""The calls of a description, as schemathesis reads them."""

from schemathesis.core.result import Ok
from schemathesis.schemas import APIOperation, BaseSchema


def every_operation(schema: BaseSchema) -> list[APIOperation]:
    """Every call of a description, none of which is unreadable."""
    found = []
    for read in schema.get_all_operations():
        assert isinstance(read, Ok), read.err()
        found.append(read.ok())
    return found

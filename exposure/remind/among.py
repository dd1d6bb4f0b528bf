"""Rows by many keys at once, as one parameter: a list of five thousand placeholders takes longer to word and to read
than what is asked with it."""

import json
from collections.abc import Iterable
from typing import Any

from django.db.models import F, Lookup


def among(keys: Iterable[int]) -> "Among":
    """Whether the primary key is one of these: a condition for `filter`."""
    return Among(F("pk"), tuple(keys))


class Among(Lookup):
    """One of these whole numbers."""

    lookup_name = "among"
    prepare_rhs = False

    def as_sql(self, compiler: Any, connection: Any) -> Any:
        """For PostgreSQL."""
        key, parameters = self.process_lhs(compiler, connection)
        return f"{key} = ANY(%s)", [*parameters, list(self.rhs)]

    def as_sqlite(self, compiler: Any, connection: Any) -> Any:
        """SQLite has no arrays; it takes JSON for a table."""
        key, parameters = self.process_lhs(compiler, connection)
        return f"{key} IN (SELECT value FROM json_each(%s))", [*parameters, json.dumps(self.rhs)]

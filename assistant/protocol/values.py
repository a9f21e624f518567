"""Frozen values that move from state to state, in small copies."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dataclasses import replace as replace  # so that names and types of the fields are checked
else:

    def replace(value: Any, /, **changes: Any) -> Any:
        """As `dataclasses.replace`: an exam makes hundreds of copies, and here none is made field by field.

        The long way is left to what needs it: a value that looks at itself when made, or that keeps what it worked
        out; and a name that is no field, which raises TypeError.
        """
        kind = type(value)
        fields = value.__dict__ | changes
        if hasattr(kind, "__post_init__") or len(fields) != len(kind.__dataclass_fields__):
            return dataclasses.replace(value, **changes)
        copy = object.__new__(kind)
        copy.__dict__.update(fields)
        return copy

"""How a figure of a report is declared: once, on the field of the dataclass that an estimator returns.

The report takes its JSON, its labels and its rounding from there. The unit is the end of the field's name. A class
attribute ``digits`` holds for every field that says nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import Field, field, fields
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

HIDDEN: Final[Mapping[str, bool]] = {"hidden": True}
"""Metadata of a field that no report shows."""


def figure_field(label: str, digits: int | None = None, default: object = None, *, hidden: bool = False) -> Any:
    """Declare a figure.

    Args:
        label: what people call it.
        digits: decimal places; None: as the class says, else 6.
        default: its value where it is not known.
        hidden: no report shows it, but ``unknown`` may name it.
    """
    return field(default=default, metadata={"label": label, "digits": digits, "hidden": hidden})


def shown_fields(found: DataclassInstance | type[DataclassInstance]) -> list[Field[Any]]:
    """Return the fields that a report shows in their place: neither hidden ones nor the reasons in ``unknown``."""
    return [each for each in fields(found) if each.name != "unknown" and not each.metadata.get("hidden")]

"""What every table of the configuration is made of."""

from __future__ import annotations

import json
from typing import Annotated, Any, cast, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from monitor.settings.figure import Figure, certain, parse

ENVIRONMENT_PREFIX = "CANISTER_"
FLEET_VARIABLE = ENVIRONMENT_PREFIX + "FLEET_CONFIG"
"""Names the configuration of a hub; on a machine that is a hub too, it means nothing to a board."""
MAX_FILTERS = 8
ID_PATTERN = r"^[a-z][a-z0-9]*(_[a-z0-9]+)*$"
# Family code 28 marks the digital thermometer family of the 1-Wire bus (data sheet of the DS18B20).
ROM_ID_PATTERN = r"^28-[0-9a-f]{12}$"

Id = Annotated[str, Field(pattern=ID_PATTERN, max_length=32)]


def key(
    description: str, unit: str = "", *, example: Any = None, sample: Any = None, **limits: Any
) -> Any:
    """A configuration key: what it means, its unit and its limits.

    `example` stands in the reference file as a set key, `sample` as one that is commented out.
    """
    extra = {"unit": unit, "example": example, "sample": sample}
    return Field(description=description, json_schema_extra=extra, **limits)


def figure(
    description: str,
    unit: str = "",
    *,
    default: float | None = None,
    optional: bool = False,
    example: Any = None,
    sample: Any = None,
    **limits: float,
) -> Any:
    """A key of the description that may carry a range; required without a default."""
    extra = {"unit": unit, "example": example, "sample": sample, "limits": limits}
    if optional:
        return Field(default=None, description=description, json_schema_extra=extra)
    if default is not None:
        return Field(default=certain(default), description=description, json_schema_extra=extra)
    return Field(description=description, json_schema_extra=extra)


def from_json(value: Any) -> Any:
    """Lists reach us from the environment as JSON text."""
    if isinstance(value, str):
        try:
            return json.loads(value)
        except ValueError:
            raise PydanticCustomError("not_json", "a list as JSON text") from None
    return value


class Section(BaseModel):
    """A table of the file; an unknown key in it is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    @field_validator("*", mode="before")
    @classmethod
    def _as_a_person_means_it(cls, value: Any, info: ValidationInfo) -> Any:
        """Read figures with their ranges; refuse `true`, which Python counts as 1, as a number."""
        field = cls.model_fields[str(info.field_name)]
        kinds = (field.annotation, *get_args(field.annotation))
        if Figure in kinds and value is not None:
            extra = field.json_schema_extra
            return parse(value, cast(dict[str, Any], extra)["limits"])
        if isinstance(value, bool) and field.annotation is not bool:
            raise PydanticCustomError("not_boolean", "a value of its kind")
        return value

"""Base of every model read from a file: frozen, unknown keys refused, plain types strict."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field


def kebab(name: str) -> str:
    """Field name as written in files."""
    return name.replace("_", "-")


class Model(BaseModel):
    """Frozen, strict about keys; keys are kebab-case in files."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", alias_generator=kebab, populate_by_name=True
    )


#: Whole number from 1, never a text or 3.0.
Count = Annotated[int, Field(strict=True, ge=1)]
#: Whole number from 0.
Number = Annotated[int, Field(strict=True, ge=0)]
#: true or false, never "yes" or 1.
Switch = Annotated[bool, Field(strict=True)]
#: A text with something in it.
Text = Annotated[str, Field(min_length=1)]
#: Name of a rig, plan, profile or scenario.
Name = Annotated[str, Field(pattern=r"^[a-z0-9]([a-z0-9._-]*[a-z0-9])?$")]
